package measure

import "slices"

// Along returns the shaft with the edges of c in place of its own where c has
// any, on the mid-line, at the levels and over the diaphysis of s: two
// estimates of one shaft can then be compared quantity by quantity. hasOrigin
// says which diaphysis: see [Shaft.Diaphysis].
//
// Errors: *Error with Degenerate (slices of different lengths).
func (s *Shaft) Along(c Contours, hasOrigin bool) (*Shaft, error) {
	o := *s
	d := s.diaphysis(hasOrigin)
	o.found = [2]*diaphysis{&d, &d}
	distance, sigma := o.distances(), o.sigmas()
	for i, from := range [4]Edge{c.OuterPos, c.OuterNeg, c.InnerPos, c.InnerNeg} {
		e, err := newEdge("Along", "given", from)
		if err != nil {
			return nil, err
		}
		*distance[i], *sigma[i] = slices.Clone(*distance[i]), slices.Clone(*sigma[i])
		at := caster{edge: e}
		for k, q := range s.Mid {
			out := s.Normal[k]
			if i%2 == 1 {
				out = out.Mul(-1)
			}
			x, u := at.cast(q, clockwise(s.Normal[k]).Mul(-s.sense), out)
			if x == x && (*distance[i])[k] == (*distance[i])[k] {
				(*distance[i])[k], (*sigma[i])[k] = x, u
			}
		}
	}
	for k := range o.S {
		o.unsee(k)
	}
	return &o, nil
}
