package measure

import (
	"fmt"
	"math"

	"shaftgauge/measure/geom"
)

// Contours are the four edges of one shaft on the film, in millimetres of the
// film plane after magnification (x right, y down), each ordered proximal →
// distal. Positive is lateral on AP, anterior on LAT. Points need not be at
// common levels, but should lie no farther apart than the levels asked for.
// An inner edge without points was not seen.
type Contours struct {
	OuterPos, OuterNeg, InnerPos, InnerNeg Edge
}

// Edge is a polyline with the standard uncertainty (1 sigma, mm, across the
// shaft) of each point. Sigma nil: exact. A point with a coordinate or sigma
// that is NaN or beyond any film breaks the polyline: nothing is measured
// between its neighbours.
type Edge struct {
	P     []geom.PointMM
	Sigma []float64
}

// mostReach is the farthest in mm that a point of a film can lie from its
// corner: no plate is 10 m long.
const mostReach geom.MM = 10_000

// edge is an Edge without the points that break it.
type edge struct {
	p     []geom.PointMM
	sigma []float64
	gap   []bool // no line from p[i] to p[i+1]
}

func newEdge(op, name string, e Edge) (edge, error) {
	if e.Sigma != nil && len(e.Sigma) != len(e.P) {
		return edge{}, &Error{Op: op, Reason: Degenerate, Detail: fmt.Sprintf("%s edge: %d points, %d sigmas", name, len(e.P), len(e.Sigma))}
	}
	var out edge
	for i, q := range e.P {
		sigma := 0.0
		if e.Sigma != nil {
			sigma = e.Sigma[i]
		}
		if !(math.Abs(q.X)+math.Abs(q.Y) < mostReach && 0 <= sigma && sigma < mostReach) {
			if n := len(out.gap); n > 0 {
				out.gap[n-1] = true
			}
			continue
		}
		out.p = append(out.p, q)
		out.sigma = append(out.sigma, sigma)
		out.gap = append(out.gap, false)
	}
	return out, nil
}

// caster walks along an edge with the levels, so that where a normal meets an
// edge more than once (a bump that overhangs) the crossing is the next one
// along the edge.
type caster struct {
	edge
	at int
}

// cast returns the signed distance along n from q to the edge, on the line
// through q square to the tangent t, and the edge's sigma there: NaN when that
// line does not meet the edge.
func (c *caster) cast(q, t, n geom.PointMM) (distance, sigma float64) {
	const onEnd = 1e-9 // mm; an end that lies on the normal counts as met
	if len(c.p) < 2 {
		return math.NaN(), math.NaN()
	}
	ahead := func(i int) float64 { return c.p[i].Sub(q).Dot(t) }
	for c.at > 0 && ahead(c.at) > 0 {
		c.at--
	}
	last := len(c.p) - 1
	for c.at < last && ahead(c.at+1) <= 0 {
		c.at++
	}
	if f := ahead(c.at); math.Abs(f) <= onEnd {
		return c.p[c.at].Sub(q).Dot(n), c.sigma[c.at]
	} else if f > 0 || c.at == last || c.gap[c.at] {
		return math.NaN(), math.NaN()
	}
	a, b := ahead(c.at), ahead(c.at+1)
	u := a / (a - b)
	hit := c.p[c.at].Add(c.p[c.at+1].Sub(c.p[c.at]).Mul(u))
	return hit.Sub(q).Dot(n), c.sigma[c.at] + u*(c.sigma[c.at+1]-c.sigma[c.at])
}
