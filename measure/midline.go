package measure

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"shaftgauge/measure/geom"
)

// midline is the smoothed mid-diaphyseal line: nodes, unit tangents (distally)
// and arc lengths from the first node. Beyond its ends it goes on straight.
type midline struct {
	p, t []geom.PointMM
	s    []geom.MM
}

// at returns the place and the unit tangent at arc length s.
func (m midline) at(s geom.MM) (p, t geom.PointMM) {
	last := len(m.s) - 1
	if s <= 0 {
		return m.p[0].Add(m.t[0].Mul(s)), m.t[0]
	}
	if s >= m.s[last] {
		return m.p[last].Add(m.t[last].Mul(s - m.s[last])), m.t[last]
	}
	i := min(sort.SearchFloat64s(m.s, s), last)
	h := m.s[i] - m.s[i-1]
	u := (s - m.s[i-1]) / h
	// Cubic Hermite between the nodes.
	p = m.p[i-1].Mul((1 + 2*u) * (1 - u) * (1 - u)).
		Add(m.t[i-1].Mul(h * u * (1 - u) * (1 - u))).
		Add(m.p[i].Mul(u * u * (3 - 2*u))).
		Add(m.t[i].Mul(h * u * u * (u - 1)))
	return p, m.t[i-1].Mul(1 - u).Add(m.t[i].Mul(u)).Unit()
}

// length returns the arc length between the end nodes in mm.
func (m midline) length() geom.MM { return m.s[len(m.s)-1] }

// chordFrame is the plane frame in which the mid-line is a graph: x along the
// axis from proximal to distal, y to the positive side.
type chordFrame struct {
	o, axis, positive geom.PointMM
}

func (f chordFrame) to(q geom.PointMM) (x, y float64) {
	d := q.Sub(f.o)
	return d.Dot(f.axis), d.Dot(f.positive)
}

func (f chordFrame) from(x, y float64) geom.PointMM {
	return f.o.Add(f.axis.Mul(x)).Add(f.positive.Mul(y))
}

// newChordFrame lays the frame along the outer edges; false when they have no
// direction in common or do not lie side by side.
func newChordFrame(pos, neg edge) (chordFrame, bool) {
	if len(pos.p) < 2 || len(neg.p) < 2 {
		return chordFrame{}, false
	}
	a, errA := FitLine(pos.p, nil)
	b, errB := FitLine(neg.p, nil)
	if errA != nil || errB != nil || a.D.Dot(b.D) < 0.5 {
		return chordFrame{}, false
	}
	f := chordFrame{o: a.P.Add(b.P).Mul(0.5), axis: a.D.Add(b.D).Unit()}
	f.positive = clockwise(f.axis)
	if _, y := f.to(a.P); y < 0 {
		f.positive = f.positive.Mul(-1)
	}
	return f, true
}

// smoothHalfWidth is the half-width in mm of the local quadratic that smooths
// the mid-line. It leaves a bow of 700 mm radius in place to about 1e-4 mm, and 50 points of 0.2 mm noise leave its direction to about 0.2°.
// At an end the window is as long, but one-sided.
const smoothHalfWidth geom.MM = 25

// graph is a mid-line as heights above the frame's axis, at whole multiples of
// step from the multiple first on.
type graph struct {
	chordFrame
	step          geom.MM
	first         int
	height, slope []float64
}

// smoothMidline fits the mid-line through the mid-points (in order, at least
// four). ok is false when they lie too close together.
func smoothMidline(f chordFrame, mid []geom.PointMM, step geom.MM) (g graph, ok bool) {
	type xy struct{ x, y float64 }
	points := make([]xy, len(mid))
	for i, q := range mid {
		points[i].x, points[i].y = f.to(q)
	}
	slices.SortFunc(points, func(a, b xy) int { return cmp.Compare(a.x, b.x) })
	x, y := make([]float64, len(points)), make([]float64, len(points))
	for i, q := range points {
		x[i], y[i] = q.x, q.y
	}
	x0, x1 := x[0], x[len(x)-1]
	g = graph{chordFrame: f, step: step, first: int(math.Ceil(x0 / step))}
	var fit smoother
	for k := g.first; float64(k)*step <= x1; k++ {
		at := float64(k) * step
		h := max(smoothHalfWidth, 2*smoothHalfWidth-min(at-x0, x1-at))
		ok := fit.fit(x, y, at, h, 2)
		for !ok && h < x1-x0 { // inside a wide gap
			h *= 2
			ok = fit.fit(x, y, at, h, 2)
		}
		if !ok {
			return graph{}, false
		}
		height, slope := fit.apply(y)
		g.height, g.slope = append(g.height, height), append(g.slope, slope)
	}
	return g, len(g.height) >= 2
}

// approach moves g back towards the line before it, to the part share of the
// way between them, and returns the largest way in mm between the two.
func (g graph) approach(before graph, share float64) (move geom.MM) {
	for i := range g.height {
		j := i + g.first - before.first
		if j < 0 || j >= len(before.height) {
			continue
		}
		way := g.height[i] - before.height[j]
		move = max(move, math.Abs(way))
		g.height[i] = before.height[j] + share*way
		g.slope[i] = before.slope[j] + share*(g.slope[i]-before.slope[j])
	}
	return move
}

// line returns the mid-line in the film's plane.
func (g graph) line() midline {
	n := len(g.height)
	m := midline{p: make([]geom.PointMM, n), t: make([]geom.PointMM, n)}
	for i := range n {
		m.p[i] = g.from(float64(g.first+i)*g.step, g.height[i])
		m.t[i] = g.axis.Add(g.positive.Mul(g.slope[i])).Unit()
	}
	m.s = geom.ArcLengths(m.p)
	return m
}
