package accuracy

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shaftgauge/measure"
	"shaftgauge/pipeline/simulate"
)

const (
	// levelWithin is how far a finding's level may be from the true one, in mm.
	levelWithin = 3
	// levelReach is how far it may be for the finding to be of that thickening at
	// all: the thickenings drawn are 10 to 32 mm long.
	levelReach = 10
)

// focalClasses are the heights in mm, from and below, that are counted apart.
var focalClasses = []struct {
	name     string
	from, to float64
}{
	{"1.2 mm or more", 1.2, math.Inf(1)}, {"0.9 to 1.2 mm", 0.9, 1.2}, {"0.7 to 0.9 mm", 0.7, 0.9}, {"below 0.7 mm", 0, 0.7},
}

const (
	classHigh  = 0 // 1.2 mm or more
	classLow   = 2 // 0.8 mm, give or take
	classCount = 4
)

// FocalClass counts true thickenings of one range of heights whose peaks lie in
// the visible diaphysis.
type FocalClass struct {
	Name   string `json:"name"`
	Truths int    `json:"truths"`
	Looked int    `json:"looked"` // on femurs that were looked at for them
	Found  int    `json:"found"`  // with the level within 3 mm
	Beyond int    `json:"beyond"` // found, the level 3 to 10 mm off
}

// Focal is how well focal thickenings of the lateral cortex were found.
type Focal struct {
	Classes []FocalClass `json:"classes"`
	Clear   Rate         `json:"clear_films_with_finding"` // of the films without a thickening that were looked at
	Films   int          `json:"clear_films"`              // all films without one that show a femur from the front
	Extra   int          `json:"extra"`                    // findings on femurs with one, of none of theirs
	Surface Rate         `json:"surface_right"`
	Share   Spread       `json:"outer_share"` // error of the outer surface's part of the height
	// Confounders are what may be taken for one, of which some were.
	Confounders []Confounder `json:"confounders,omitempty"`
}

// Confounder counts what is no focal thickening, by kind, on femurs that were
// looked at: the part that got a finding.
type Confounder struct {
	Kind  string `json:"kind"`
	Taken Rate   `json:"taken"`
}

// focalMatch is one femur's true thickenings against the row's findings.
type focalMatch struct {
	truth    []simulate.FocalTruth
	in       []bool // the peak is in the visible diaphysis
	of       []int  // finding of each, −1 for none
	findings []measure.Focal
	free     []bool  // findings of none
	shift    float64 // of the row's levels
	origin   string  // what the row's level origin is off, for people
	row      *measure.Femur
	looked   bool
	other    []simulate.ConfounderTruth
}

// focal returns nil where there is nothing to compare: no view from the front, no
// scale, a broken femur.
func (f *Film) focal(p pair) *focalMatch {
	t := &f.Truth.Femurs[p.truth]
	if t.View != measure.AP || t.Broken || f.Truth.ScaleBasis == "none" {
		return nil
	}
	m := &focalMatch{truth: t.Focal, other: t.Confounders}
	var levels []float64
	for _, x := range t.Focal {
		levels = append(levels, x.LevelMM)
		m.in = append(m.in, x.LevelMM >= t.DiaphysisFrom && x.LevelMM <= t.DiaphysisTo)
	}
	var got []float64
	if p.row >= 0 {
		m.row = &f.Rows[p.row]
		m.findings, m.looked = m.row.Focal, lookedForFocal(m.row)
		if len(m.findings) > 0 {
			by, ok := shift(m.row, t, f.Truth.Spacing)
			if !ok {
				by = math.NaN()
			}
			m.shift = by
			if d, ok := originOff(m.row, t, f.Truth.Spacing); ok {
				m.origin = fmt.Sprintf(", of which the level origin %+.1f mm", -d)
			}
		}
		for _, x := range m.findings {
			got = append(got, x.Level.X+m.shift)
		}
	}
	m.of = nearest(levels, got, levelReach)
	m.free = make([]bool, len(got))
	for i := range m.free {
		m.free[i] = true
	}
	for _, i := range m.of {
		if i >= 0 {
			m.free[i] = false
		}
	}
	return m
}

// lookedForFocal says whether a row answers the question.
func lookedForFocal(r *measure.Femur) bool {
	_, ok := r.Record.Values[measure.FocalCount]
	return ok || len(r.Focal) > 0
}

// off returns how far the finding of thickening i is from it, in mm.
func (m *focalMatch) off(i int) float64 {
	return m.findings[m.of[i]].Level.X + m.shift - m.truth[i].LevelMM
}

// taken says whether a finding of no thickening lies on a confounder.
func (m *focalMatch) taken(o simulate.ConfounderTruth, finding int) bool {
	return m.free[finding] && math.Abs(m.findings[finding].Level.X+m.shift-o.LevelMM) <= max(levelReach, o.LengthMM/2)
}

// on names the confounder that a finding of no thickening lies on.
func (m *focalMatch) on(finding int) string {
	for _, o := range m.other {
		if m.taken(o, finding) {
			return o.Kind
		}
	}
	return "no thickening"
}

// isFocal are the columns that are compared by thickening, not by row.
var isFocal = map[measure.Quantity]bool{
	measure.FocalLevel: true, measure.FocalHeight: true, measure.FocalLength: true,
	measure.LucentLineDepthFraction: true, measure.LucentLineAngle: true,
}

// addFocal counts the thickenings of one femur.
func (c *collection) addFocal(f *Film, m *focalMatch) {
	columns := []measure.Quantity{measure.FocalLevel, measure.FocalHeight, measure.FocalLength}
	for i, x := range m.truth {
		if !m.in[i] {
			continue
		}
		for _, q := range columns {
			c.truths[q]++
		}
		n := c.class(x.HeightMM)
		n.Truths++
		if m.looked {
			n.Looked++
		}
		if m.of[i] < 0 {
			continue
		}
		if math.Abs(m.off(i)) <= levelWithin {
			n.Found++
		} else {
			n.Beyond++
		}
		got := m.findings[m.of[i]]
		for j, d := range [][3]float64{{x.LevelMM, m.off(i), got.Level.U95}, {x.HeightMM, got.Height.X - x.HeightMM, got.Height.U95},
			{x.LengthMM, got.Length.X - x.LengthMM, got.Length.U95}} {
			c.errs[columns[j]] = append(c.errs[columns[j]], deviation{d[0], d[1], d[2], f.Source})
		}
		c.share = append(c.share, deviation{x.OuterFraction, got.OuterShare.X - x.OuterFraction, got.OuterShare.U95, f.Source})
		c.focal.Surface.count(got.Surface == surface(x.OuterFraction))
	}
	for _, o := range m.other {
		if m.looked {
			r := c.confounders[o.Kind]
			got := false
			for i := range m.findings {
				got = got || m.taken(o, i)
			}
			r.count(got)
			c.confounders[o.Kind] = r
		}
	}
	for i := range m.findings {
		for _, q := range columns {
			c.values[q]++
			if m.free[i] {
				c.extra[q]++
			}
		}
		if m.free[i] && len(m.truth) > 0 {
			c.focal.Extra++
		}
	}
}

// surface names the surface that a thickening stands out from: one of them with
// three quarters of the height or more.
func surface(outer float64) string {
	switch {
	case outer >= 0.75:
		return "periosteal"
	case outer <= 0.25:
		return "endosteal"
	}
	return "both"
}

func (c *collection) class(height float64) *FocalClass {
	for i, k := range focalClasses {
		if height >= k.from {
			return &c.classes[i]
		}
	}
	return &c.classes[classCount-1]
}

// addClear counts a film without a thickening.
func (c *collection) addClear(f *Film) {
	if f.Truth.ScaleBasis == "none" {
		return
	}
	front := false
	for i := range f.Truth.Femurs {
		t := &f.Truth.Femurs[i]
		if len(t.Focal) > 0 {
			return
		}
		front = front || t.View == measure.AP
	}
	if !front {
		return
	}
	c.focal.Films++
	looked, found := false, false
	for i := range f.Rows {
		looked = looked || lookedForFocal(&f.Rows[i])
		found = found || len(f.Rows[i].Focal) > 0 || f.Rows[i].Record.Values[measure.FocalCount].X > 0
	}
	if looked {
		c.focal.Clear.count(found)
	}
}

// focalReport returns nil when there was nothing to find and nothing found.
func (c *collection) focalReport() *Focal {
	f := c.focal
	f.Share = spread(c.share)
	n := f.Films
	for i, k := range focalClasses {
		c.classes[i].Name = k.name
		n += c.classes[i].Truths
	}
	if n == 0 {
		return nil
	}
	f.Classes = c.classes[:]
	for kind, r := range c.confounders {
		f.Confounders = append(f.Confounders, Confounder{kind, r})
	}
	slices.SortFunc(f.Confounders, func(a, b Confounder) int { return strings.Compare(a.Kind, b.Kind) })
	return &f
}

// sayFocal lists what is wrong with the thickenings of one femur.
func (m *focalMatch) say(name string, say func(bool, string, ...any)) {
	for i, x := range m.truth {
		at := fmt.Sprintf("%s: thickening %.1f mm high, %.0f mm long at %.0f mm", name, x.HeightMM, x.LengthMM, x.LevelMM)
		switch {
		case !m.in[i] || x.HeightMM < focalClasses[classLow].from:
		case m.row == nil:
			// That the femur was not found is said already.
		case !m.looked:
			say(true, "%s: not looked for", at)
		case m.of[i] < 0:
			say(true, "%s: not found", at)
		default:
			got := m.findings[m.of[i]]
			say(math.Abs(m.off(i)) > levelWithin, "%s: level %+.1f mm off%s", at, m.off(i), m.origin)
			say(math.Abs(got.Height.X-x.HeightMM) > 0.75, "%s: height %.1f mm", at, got.Height.X)
			say(x.LineWidthMM >= lineWide && got.Line.State != lineSeen, "%s: line %.1f mm wide through %.0f %% of the cortex: %s",
				at, x.LineWidthMM, 100*x.LineDepth, got.Line.State)
			say(x.LineWidthMM == 0 && got.Line.State == lineSeen, "%s: line seen where there is none", at)
		}
	}
	for i, x := range m.findings {
		say(m.free[i], "%s: finding %.1f mm high, %.0f mm long at %.0f mm: on %s", name, x.Height.X, x.Length.X, x.Level.X+m.shift, m.on(i))
	}
}
