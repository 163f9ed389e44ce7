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

// axisFit is the least-squares line through the mid-points of a stretch, from
// proximal to distal, with what its gradients need.
type axisFit struct {
	geom.Line
	along  []geom.MM // of each mid-point from P
	level  []int
	spread float64 // Σ along²
}

// lineThrough fits the axis of the mid-points that were seen on the stretch.
func (s *Shaft) lineThrough(in span) (a axisFit, ok bool) {
	p, level := s.midPoints(in)
	line, err := FitLine(p, nil)
	if err != nil {
		return a, false
	}
	a = axisFit{Line: line.Line, level: level, along: make([]geom.MM, len(p))}
	for i, q := range p {
		a.along[i] = q.Sub(a.P).Dot(a.D)
		a.spread += square(a.along[i])
	}
	return a, true
}

// fitAxis is lineThrough of a stretch that lies on the shaft, with mid-points
// at axisSeen of its levels.
func (s *Shaft) fitAxis(in span) (axisFit, bool) {
	if !s.seen(in, axisSeen) {
		return axisFit{}, false
	}
	return s.lineThrough(in)
}

// axisShort is how much of a stretch may lie beyond either end of the shaft, mm: a
// line through what is left is turned by half of it over the bow's radius, 0.1° at
// 2 m.
const axisShort geom.MM = 8

// seen tells whether the stretch lies on the shaft, but for a little, and has
// mid-points at a share of its levels.
func (s *Shaft) seen(in span, share float64) bool {
	if s.S[0] > in.from+axisShort || s.S[len(s.S)-1] < in.to-axisShort {
		return false
	}
	_, level := s.midPoints(in)
	return float64(len(level)) >= share*(in.to-in.from)/s.Step
}

// turn returns k times the gradient of the line's direction in radians, + when
// its distal end moves to the positive side.
func (a axisFit) turn(s *Shaft, k float64) gradient {
	g := s.newGradient()
	for j, at := range a.along {
		g.midGradient(a.level[j], k*at/a.spread)
	}
	return g
}

// shift returns the gradient of the line's distance in mm to the positive side
// at the place that lies along mm distally of P.
func (a axisFit) shift(s *Shaft, along geom.MM) gradient {
	g := s.newGradient()
	for j, at := range a.along {
		g.midGradient(a.level[j], 1/float64(len(a.along))+along*at/a.spread)
	}
	return g
}

// axisAngle returns the angle in radians of the least-squares line through the
// mid-points against the image's vertical, in (−π/2, π/2], + clockwise.
func (s *Shaft) axisAngle(in span) (x float64, g gradient, ok bool) {
	a, ok := s.lineThrough(in)
	if !ok {
		return 0, g, false
	}
	d := a.D
	if d.Y < 0 || d.Y == 0 && d.X > 0 {
		d = d.Mul(-1)
	}
	return math.Atan2(-d.X, d.Y), a.turn(s, s.sense), true
}
