package detect

import (
	"errors"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

const (
	drawStep  = 1.0   // mm between the points of an edge drawn by hand
	drawLeast = 5.0   // mm: a shorter one has no direction to go by
	drawMost  = 700.0 // mm: no femur is as long
)

// Untraced returns f without its edges and landmarks, to be drawn by hand.
func (f Femur) Untraced() Femur {
	return Femur{Implant: f.Implant, WorkingSpacing: f.WorkingSpacing}
}

// DrawEdge puts the line of straight pieces through p, drawn by hand, in place
// of one edge of f as far as the line reaches; what was found above and below
// stays. The line has the standard uncertainty sigma, mm, and counts for both
// estimates, as in [Femur.MoveEdge]. It may run either way along the shaft; on a
// femur without any edge, the first runs from proximal to distal. Slices of f
// are replaced, not written to.
//
// Errors, for people: not a line along a shaft.
func (f *Femur) DrawEdge(clockwise, outer bool, p []geom.PointPx, sigma float64) error {
	sp := f.WorkingSpacing
	line, err := drawnLine(p, sigma, sp)
	if err != nil {
		return err
	}
	for _, have := range []Edge{f.OuterClockwise, f.OuterCounter} {
		if n := len(have.P); n > 1 {
			if endToEnd(line, sp).Dot(endToEnd(have, sp)) < 0 {
				slices.Reverse(line.P)
			}
			break
		}
	}
	s, e, second := f.edge(clockwise, outer)
	*e, *second = spliced(*e, line, sp), spliced(*second, line, sp)
	if c := f.fine[s]; c != nil {
		f.fine[s] = c.drawn(line, outer)
		f.CortexClockwise, f.CortexCounter = f.fineCortex(0), f.fineCortex(1)
	}
	return nil
}

func endToEnd(e Edge, sp geom.Spacing) geom.PointMM { return sp.MM(e.P[len(e.P)-1]).Sub(sp.MM(e.P[0])) }

// drawnLine is the line through p with a point every drawStep.
func drawnLine(p []geom.PointPx, sigma float64, sp geom.Spacing) (e Edge, err error) {
	if len(p) < 2 {
		return e, errors.New("two points at least make an edge")
	}
	length := 0.0
	for i := 1; i < len(p); i++ {
		length += sp.MM(p[i]).Sub(sp.MM(p[i-1])).Norm()
	}
	switch {
	case !(length <= drawMost): // a NaN too
		return e, errors.New("the line is longer than a femur")
	case length < drawLeast:
		return e, errors.New("the line is shorter than 5 mm")
	}
	for i := 1; i < len(p); i++ {
		a, b := sp.MM(p[i-1]), sp.MM(p[i])
		n := max(1, int(math.Ceil(b.Sub(a).Norm()/drawStep)))
		for j := range n {
			e.P = append(e.P, sp.Px(a.Add(b.Sub(a).Mul(float64(j)/float64(n)))))
		}
	}
	e.P = append(e.P, p[len(p)-1])
	down := endToEnd(e, sp)
	for i := 1; i < len(p); i++ {
		if sp.MM(p[i]).Sub(sp.MM(p[i-1])).Dot(down) <= 0 {
			return e, errors.New("the line turns back: its points must follow the shaft")
		}
	}
	e.Sigma = constant(len(e.P), sigma)
	return e, nil
}

// drawn returns the finer trace with one edge where a line crosses its normals.
func (c *course) drawn(line Edge, outer bool) *course {
	out, d, s := c.apart(outer)
	for k := range d {
		n := c.m.n[k].Mul(c.sign)
		along := geom.PointMM{X: -n.Y, Y: n.X}
		for i := 1; i < len(line.P); i++ {
			a, b := c.sp.MM(line.P[i-1]).Sub(c.m.p[k]), c.sp.MM(line.P[i]).Sub(c.m.p[k])
			if u, v := a.Dot(along), b.Dot(along); u*v <= 0 && u != v {
				d[k], s[k] = a.Dot(n)+u/(u-v)*(b.Dot(n)-a.Dot(n)), line.Sigma[i]
				break
			}
		}
	}
	return out
}
