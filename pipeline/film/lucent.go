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
	lineNear      = 15.0 // mm from a thickening's peak within which a line is at or near it
	lineAlone     = 12.0 // contrast over noise of a line that no thickening speaks for
	lineNarrow    = 0.06 // mm: a fainter line is the picture's grain,
	lineNarrowest = 0.15 // far from a thickening
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

// findLines scans the lateral cortex.
func findLines(f detect.Femur, id identity, sp geom.Spacing, s *measure.Shaft, opt measure.ShaftOptions) (l lines) {
	scan := f.LucentLines(id.clockwise)
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

// near returns what is seen of a line at or near a thickening.
func (l *lines) near(t measure.Focal) measure.LucentLine {
	var floor []float64
	for i, at := range l.place {
		if math.Abs(at-t.Level.X) <= lineNear {
			floor = append(floor, l.floor[i])
		}
	}
	return l.best(floor, detect.LineContrast, lineNarrow, func(i int) bool {
		return math.Abs(l.at[i]-t.Level.X) <= lineNear
	})
}

// anywhere returns what is seen of a line anywhere on the diaphysis.
func (l *lines) anywhere() measure.LucentLine {
	return l.best(l.floor, lineAlone, lineNarrowest, func(int) bool { return true })
}

// best is the line of most contrast of those that count, are at least so wide
// and have at least that contrast. floor are the widths there that would have
// detect.LineContrast.
func (l *lines) best(floor []float64, contrast, width float64, counts func(i int) bool) (out measure.LucentLine) {
	top := -1
	for i, x := range l.line {
		if counts(i) && x.Contrast >= contrast && x.Width >= width && (top < 0 || l.line[i].Contrast > l.line[top].Contrast) {
			top = i
		}
	}
	if len(floor) > 0 {
		floor = slices.Clone(floor)
		slices.Sort(floor)
		out.FloorMM = max(width, floor[len(floor)*9/10]*contrast/detect.LineContrast) // nine tenths of the places are as good
	}
	switch {
	case top >= 0:
		x := l.line[top]
		out.State, out.Contrast = lineSeen, x.Contrast
		out.Depth = measure.Value{X: x.Depth, U95: 2 * x.SigmaDepth}
		out.Angle = measure.Value{X: x.Angle, U95: 2 * x.SigmaAngle}
	case len(floor) > 0 && out.FloorMM <= lineFloor:
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
	r.Texts["lucent_line"] = line.State
	if line.FloorMM > 0 {
		r.Set(measure.LucentLineFloor, line.FloorMM, 0)
	}
	if line.State == lineSeen {
		r.Set(measure.LucentLineDepthFraction, line.Depth.X, line.Depth.U95)
		r.Set(measure.LucentLineAngle, line.Angle.X, line.Angle.U95)
	}
}
