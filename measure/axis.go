package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// span is a stretch of the mid-line between two levels in mm.
type span struct{ from, to geom.MM }

// midPoints returns the measured mid-points of the outer cortices at the
// levels within the span, and the indices of those levels.
func (s *Shaft) midPoints(in span) (p []geom.PointMM, level []int) {
	for i, at := range s.S {
		if at < in.from || at > in.to {
			continue
		}
		if offset := (s.OuterPos[i] - s.OuterNeg[i]) / 2; !math.IsNaN(offset) {
			p = append(p, s.Mid[i].Add(s.Normal[i].Mul(offset)))
			level = append(level, i)
		}
	}
	return p, level
}

// midGradient adds k times the change with a mid-point's shift to the positive
// side at level i.
func (g gradient) midGradient(i int, k float64) {
	g[0][i] += k / 2
	g[1][i] -= k / 2
}

// axisAngle returns the angle in radians of the least-squares line through the
// mid-points against the image's vertical, in (−π/2, π/2], + clockwise.
func (s *Shaft) axisAngle(in span) (x float64, g gradient, ok bool) {
	p, level := s.midPoints(in)
	line, err := FitLine(p, nil)
	if err != nil {
		return 0, g, false
	}
	d := line.D
	if d.Y < 0 || d.Y == 0 && d.X > 0 {
		d = d.Mul(-1)
	}
	g = s.newGradient()
	spread := 0.0
	for _, q := range p {
		spread += square(q.Sub(line.P).Dot(line.D))
	}
	for j, q := range p {
		g.midGradient(level[j], s.sense*q.Sub(line.P).Dot(line.D)/spread)
	}
	return math.Atan2(-d.X, d.Y), g, true
}
