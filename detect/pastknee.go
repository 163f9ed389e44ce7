package detect

import (
	"slices"

	"shaftgauge/measure/geom"
)

// withoutLowerLegs leaves out what lies past the knee of a surer femur: the bone of a
// lower leg.
func withoutLowerLegs(found []Femur, sp geom.Spacing) []Femur {
	var out []Femur
	for _, f := range found {
		if !slices.ContainsFunc(found, func(of Femur) bool { return of.Found > f.Found && pastKnee(&f, &of, sp) }) {
			out = append(out, f)
		}
	}
	return out
}

// pastKnee tells whether all of f lies on the far side of the other's condyles.
func pastKnee(f, other *Femur, sp geom.Spacing) bool {
	lateral, medial := other.CondyleLateral, other.CondyleMedial
	if lateral == nil || medial == nil {
		lateral, medial = other.Located.CondyleLateral, other.Located.CondyleMedial
	}
	if lateral == nil || medial == nil {
		return false
	}
	knee := mean(sp.MM(lateral.P), sp.MM(medial.P))
	down := knee.Sub(mean(other.ends(sp)...))
	ends := f.ends(sp)
	return len(ends) > 0 && !slices.ContainsFunc(ends, func(p geom.PointMM) bool { return p.Sub(knee).Dot(down) < 0 })
}

// ends returns the first and last places of both outer edges, as far as there are some.
func (f *Femur) ends(sp geom.Spacing) (p []geom.PointMM) {
	for _, e := range [2]Edge{f.OuterClockwise, f.OuterCounter} {
		if n := len(e.P); n > 0 {
			p = append(p, sp.MM(e.P[0]), sp.MM(e.P[n-1]))
		}
	}
	return p
}

// mean is the middle of places.
func mean(p ...geom.PointMM) (m geom.PointMM) {
	for _, q := range p {
		m = m.Add(q.Mul(1 / float64(len(p))))
	}
	return m
}
