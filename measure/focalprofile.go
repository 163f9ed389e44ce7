package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// cortexProfile is one cortex by level: its outer edge from a straight line
// along the shaft, mm outward, its inner edge from the same line, and its
// thickness; NaN where not seen.
type cortexProfile struct{ outer, inner, thick []float64 }

// profileOf casts the edges of one cortex on the shaft's levels. sign is that of
// the normals that point out of the bone on this side.
func (s *Shaft) profileOf(op string, c CortexEdges, sign float64) (p cortexProfile, err error) {
	var e [2]edge
	if e[0], err = newEdge(op, "outer", c.Outer); err != nil {
		return p, err
	}
	if e[1], err = newEdge(op, "inner", c.Inner); err != nil {
		return p, err
	}
	n := len(s.S)
	p = cortexProfile{make([]float64, n), make([]float64, n), make([]float64, n)}
	casters := [2]caster{{edge: e[0]}, {edge: e[1]}}
	chord := s.Mid[n-1].Sub(s.Mid[0]).Unit()
	across := clockwise(chord).Mul(s.sense * sign)
	for i := range n {
		out := s.Normal[i].Mul(sign)
		t := geom.PointMM{X: out.Y, Y: -out.X}
		if t.Dot(chord) < 0 {
			t = t.Mul(-1)
		}
		a, _ := casters[0].cast(s.Mid[i], t, out)
		b, _ := casters[1].cast(s.Mid[i], t, out)
		if !(a > 0 && a < mostHalf) {
			a = math.NaN()
		}
		if !(b < a) || a-b > mostHalf {
			b = math.NaN()
		}
		// The mid-line itself gives way to a bump on one side: count from its chord.
		bow := s.Mid[i].Sub(s.Mid[0]).Dot(across)
		p.outer[i], p.inner[i], p.thick[i] = a+bow, b+bow, a-b
	}
	return p, nil
}

// mostHalf in mm is beyond any half width of a shaft on a film.
const mostHalf geom.MM = 60

// clip blanks what lies farther than beyondEnds outside the diaphysis.
func (p *cortexProfile) clip(s *Shaft, d diaphysis) {
	for i := range s.S {
		if s.S[i] < d.from-beyondEnds || s.S[i] > d.to+beyondEnds {
			p.outer[i], p.inner[i], p.thick[i] = math.NaN(), math.NaN(), math.NaN()
		}
	}
}

// both counts the levels of the diaphysis with both edges.
func (p *cortexProfile) both(s *Shaft, d diaphysis) (n float64) {
	for i, t := range p.thick {
		if s.S[i] >= d.from && s.S[i] <= d.to && !math.IsNaN(t) {
			n++
		}
	}
	return n
}
