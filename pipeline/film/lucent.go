package film

import (
	"math"
	"slices"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// The words of lucent_line.
const (
	lineSeen          = "seen"
	lineNotSeen       = "not_seen"
	lineNotAssessable = "not_assessable"
)

const (
	lineNear      = 15.0 // mm from a thickening's peak, or half its length, within which a line is at or near it
	lineAlone     = 12.0 // contrast over noise of a line that neither a thickening nor the network speaks for
	lineDespite   = 16.0 // that the network does not see although it looked, at a thickening
	lineSign      = 0.5  // of a line that the network must see to speak for it at a thickening,
	lineSure      = 0.8  // and far from one
	lineNarrow    = 0.06 // mm: a fainter line is the picture's grain,
	lineNarrowest = 0.15 // far from a thickening
	lineWidest    = 2.5  // mm: what is darker or wider is a letter's stroke or a gap between fragments
	lineOblique   = 35.0 // degrees from which a line that no thickening speaks for may be a vessel's canal or a crossing shadow
	lineFloor     = 0.5  // mm: a film that could not show a line of this width is not assessed
)

// lines are the dark lines and what could have been seen by level of a shaft.
type lines struct {
	at       []float64
	line     []detect.Line
	place    []float64
	floor    []float64
	from, to float64 // of the visible diaphysis
}

// findLines scans the lateral cortex for lines, beside thickenings even for those
// that the network does not see.
func findLines(f detect.Femur, id identity, sp geom.Spacing, s *measure.Shaft, opt measure.ShaftOptions, thick bool) (l lines) {
	least := lineSure
	if thick {
		least = 0
	}
	scan, err := f.LucentLines(id.clockwise, least)
	if err != nil {
		return l
	}
	l.from, l.to, _, _ = s.Diaphysis(opt.HasOrigin)
	for _, x := range scan.Lines {
		if at := s.LevelOf(sp.MM(x.From)); at >= l.from && at <= l.to {
			if id.reversed {
				x.Angle = -x.Angle
			}
			l.at, l.line = append(l.at, at), append(l.line, x)
		}
	}
	for i, p := range scan.Place {
		if at := s.LevelOf(sp.MM(p)); at >= l.from && at <= l.to {
			l.place, l.floor = append(l.place, at), append(l.floor, scan.Floor[i])
		}
	}
	return l
}

// near returns what is seen of a line at or near a thickening. A line is that of the
// nearest of those found.
func (l *lines) near(t measure.Focal, found []measure.Focal) measure.LucentLine {
	reach := math.Max(lineNear, t.Length.X/2)
	var floor []float64
	for i, at := range l.place {
		if math.Abs(at-t.Level.X) <= reach {
			floor = append(floor, l.floor[i])
		}
	}
	return l.best(usualFloor(floor), func(i int) bool {
		x := l.line[i]
		spoken := x.Sign >= lineSign || math.IsNaN(x.Sign) || x.Contrast >= lineDespite && math.Abs(x.Angle) < lineOblique
		off := math.Abs(l.at[i] - t.Level.X)
		another := slices.ContainsFunc(found, func(o measure.Focal) bool { return math.Abs(l.at[i]-o.Level.X) < off })
		return off <= reach && !another && spoken
	})
}

// anywhere returns what is seen of a line anywhere on the diaphysis that nothing
// hides. Its floor is that of a line which the network does not speak for.
func (l *lines) anywhere() measure.LucentLine {
	clear := slices.DeleteFunc(slices.Clone(l.floor), func(f float64) bool { return math.IsInf(f, 1) })
	floor := usualFloor(clear)
	if floor > 0 {
		floor = max(lineNarrowest, floor*lineAlone/detect.LineContrast)
	}
	return l.best(floor, func(i int) bool {
		x := l.line[i]
		alone := math.IsNaN(x.Sign) && x.Contrast >= lineAlone && x.Width >= lineNarrowest
		return math.Abs(x.Angle) < lineOblique && (x.Sign >= lineSure || alone)
	})
}

// usualFloor is the width, mm, that could be seen at nine tenths of the places of
// which floor has it; 0 for none.
func usualFloor(floor []float64) float64 {
	if len(floor) == 0 {
		return 0
	}
	floor = slices.Sorted(slices.Values(floor))
	if f := floor[len(floor)*9/10]; !math.IsInf(f, 1) {
		return max(lineNarrow, f)
	}
	return 0
}

// best is the line of most contrast of those that count. floor is the width, mm,
// that could have been seen; 0: unknown.
func (l *lines) best(floor float64, counts func(i int) bool) (out measure.LucentLine) {
	top := -1
	for i, x := range l.line {
		if counts(i) && x.Width >= lineNarrow && x.Width <= lineWidest && (top < 0 || x.Contrast > l.line[top].Contrast) {
			top = i
		}
	}
	out.FloorMM = floor
	switch {
	case top >= 0:
		x := l.line[top]
		out.State, out.Contrast = lineSeen, x.Contrast
		out.Depth = measure.Value{X: x.Depth, U95: 2 * x.SigmaDepth}
		out.Angle = measure.Value{X: x.Angle, U95: 2 * x.SigmaAngle}
	case out.FloorMM > 0 && out.FloorMM <= lineFloor:
		out.State = lineNotSeen
	default:
		out.State = lineNotAssessable
	}
	return out
}

// write puts the line of the highest thickening that has one into the row, else
// one that stands alone, else what could have been seen.
func (l *lines) write(r *measure.Record, found []measure.Focal) {
	line := l.anywhere()
	high := 0.0
	for _, t := range found {
		if t.Line.State == lineSeen && t.Height.X > high {
			high, line = t.Height.X, t.Line
		}
	}
	writeLine(r, line)
}

// writeSeen puts a line that stands alone into the row, and nothing where none is
// seen.
func (l *lines) writeSeen(r *measure.Record) {
	if line := l.anywhere(); line.State == lineSeen {
		writeLine(r, line)
	}
}

func writeLine(r *measure.Record, line measure.LucentLine) {
	r.Texts["lucent_line"] = line.State
	if line.FloorMM > 0 {
		r.Set(measure.LucentLineFloor, line.FloorMM, 0)
	}
	if line.State == lineSeen {
		r.Set(measure.LucentLineDepthFraction, line.Depth.X, line.Depth.U95)
		r.Set(measure.LucentLineAngle, line.Angle.X, line.Angle.U95)
	}
}
