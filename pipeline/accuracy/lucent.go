package accuracy

import "shaftgauge/measure"

// The states of a lucent line in a row.
const (
	lineSeen          = "seen"
	lineNotSeen       = "not_seen"
	lineNotAssessable = "not_assessable"
)

// lineWide is the width in mm from which on lines shall be seen.
const lineWide = 0.7

// floorDepth is the part of the cortex that a line crosses of which a row says how
// narrow it could have been.
const floorDepth = 0.5

// lineClasses are the widths in mm, from and below, that are counted apart.
var lineClasses = []struct {
	name string
	from float64
}{{"0.7 mm or wider", lineWide}, {"0.4 to 0.7 mm", 0.4}, {"narrower than 0.4 mm", 0}}

// LineClass counts true lines of one range of widths, on thickenings whose peaks
// lie in the visible diaphysis.
type LineClass struct {
	Name          string `json:"name"`
	Truths        int    `json:"truths"`
	Seen          int    `json:"seen"`
	NotSeen       int    `json:"not_seen"`
	NotAssessable int    `json:"not_assessable"`
	Missed        int    `json:"no_finding"`   // neither their thickening was found nor the line alone
	BelowFloor    int    `json:"wrong_floors"` // not seen, although as deep as, and wider than, the row says could be seen
}

// Lines is how well dark lines through the lateral cortex were seen.
type Lines struct {
	Classes []LineClass `json:"classes"`
	False   Rate        `json:"false"` // seen, of the findings without a line that were looked at
	Tilt    Spread      `json:"tilt_of_wide"`
}

// addLines counts the lines of one femur.
func (c *collection) addLines(f *Film, m *focalMatch) {
	for i, x := range m.truth {
		if x.LineWidthMM == 0 {
			if m.of[i] >= 0 {
				c.clearLine(m.findings[m.of[i]].Line.State)
			}
			continue
		}
		if !m.in[i] {
			continue
		}
		c.truths[measure.LucentLineAngle]++
		c.truths[measure.LucentLineDepthFraction]++
		k := 0
		for x.LineWidthMM < lineClasses[k].from {
			k++
		}
		n := &c.lines[k]
		n.Truths++
		line, ok := m.line(i)
		if !ok {
			n.Missed++
			continue
		}
		switch line.State {
		case lineSeen:
			n.Seen++
		case lineNotSeen:
			n.NotSeen++
			if line.FloorMM > 0 && x.LineWidthMM > line.FloorMM && x.LineDepth >= floorDepth {
				n.BelowFloor++
			}
			continue
		default:
			n.NotAssessable++
			continue
		}
		c.values[measure.LucentLineAngle]++
		c.values[measure.LucentLineDepthFraction]++
		tilt := deviation{x.LineAngleDeg, line.Angle.X - x.LineAngleDeg, line.Angle.U95, f.Source}
		c.errs[measure.LucentLineAngle] = append(c.errs[measure.LucentLineAngle], tilt)
		if k == 0 {
			c.tilt = append(c.tilt, tilt)
		}
		c.errs[measure.LucentLineDepthFraction] = append(c.errs[measure.LucentLineDepthFraction],
			deviation{x.LineDepth, line.Depth.X - x.LineDepth, line.Depth.U95, f.Source})
	}
	for i := range m.findings {
		if m.free[i] {
			c.clearLine(m.findings[i].Line.State)
		}
	}
	if m.row != nil && len(m.findings) == 0 && len(m.truth) == 0 {
		c.clearLine(m.row.Record.Texts["lucent_line"])
	}
}

// line returns what is said of the line of thickening i: at its finding, or, where
// it has none, of a line seen that stands alone at the row.
func (m *focalMatch) line(i int) (l measure.LucentLine, ok bool) {
	if m.of[i] >= 0 {
		return m.findings[m.of[i]].Line, true
	}
	if m.row == nil || m.row.Record.Texts["lucent_line"] != lineSeen {
		return l, false
	}
	for _, f := range m.findings {
		if f.Line.State == lineSeen {
			return l, false // the row's is that one
		}
	}
	v := m.row.Record.Values
	return measure.LucentLine{State: lineSeen, Angle: v[measure.LucentLineAngle], Depth: v[measure.LucentLineDepthFraction]}, true
}

// clearLine counts what is said of a line where there is none.
func (c *collection) clearLine(state string) {
	if state == lineSeen || state == lineNotSeen {
		c.falseLines.count(state == lineSeen)
	}
	if state == lineSeen {
		for _, q := range []measure.Quantity{measure.LucentLineAngle, measure.LucentLineDepthFraction} {
			c.values[q]++
			c.extra[q]++
		}
	}
}

// linesReport returns nil when there was nothing to see and nothing seen.
func (c *collection) linesReport() *Lines {
	n := c.falseLines.Whole
	for i, k := range lineClasses {
		c.lines[i].Name = k.name
		n += c.lines[i].Truths
	}
	if n == 0 {
		return nil
	}
	return &Lines{Classes: c.lines[:], False: c.falseLines, Tilt: spread(c.tilt)}
}
