package detect

import "math"

const (
	referenceReach  = 60.0 // mm on either side over which a shaft's own course is a parabola
	referenceRounds = 4    // of the robust fit
)

// reference returns the shaft's own course in v, without what is a few
// centimetres long: at each level between the first and the last known one the
// robust parabola over referenceReach mm on either side.
func reference(v []float64, step float64) []float64 {
	out := constant(len(v), math.NaN())
	first, last := known(v)
	if last-first < 4 {
		return out
	}
	reach := int(referenceReach / step)
	type place struct{ u, weight float64 } // from −1 to 1, by level from −reach on
	places := make([]place, 2*reach+1)
	for i := range places {
		u := float64(i-reach) / float64(reach)
		places[i] = place{u, 1 - u*u*u*u}
	}
	w := make([]float64, 2*reach+1)
	for k := first; k <= last; k++ {
		a, b := max(first, k-reach), min(last, k+reach)
		v, at, w := v[a:b+1], places[a-k+reach:], w[:b-a+1]
		for i := range w {
			w[i] = 1
		}
		for range referenceRounds {
			var m0, m1, m2, m3, m4, r0, r1, r2 float64
			for i, x := range v {
				if x != x {
					continue
				}
				u := at[i].u
				q0 := w[i] * at[i].weight
				q1 := q0 * u
				q2 := q1 * u
				q3 := q2 * u
				m0, m1, m2, m3, m4 = m0+q0, m1+q1, m2+q2, m3+q3, m4+q3*u
				r0, r1, r2 = r0+q0*x, r1+q1*x, r2+q2*x
			}
			c, ok := solveParabola([5]float64{m0, m1, m2, m3, m4}, [3]float64{r0, r1, r2})
			if !ok {
				break
			}
			out[k] = c[0]
			sum, n := 0.0, 0.0
			for i, x := range v {
				u := at[i].u
				w[i] = math.Abs(x - c[0] - u*(c[1]+u*c[2]))
				if w[i] < math.Inf(1) { // false for NaN
					sum += w[i]
					n++
				}
			}
			scale := max(3*sum/n, 1e-3)
			for i, off := range w {
				x := off / scale
				x = max(0, 1-x*x)
				w[i] = x * x
			}
		}
	}
	return out
}

// solveParabola solves the normal equations of a parabola with the moments m and the
// right side r; false where they do not tell.
func solveParabola(m [5]float64, r [3]float64) (c [3]float64, ok bool) {
	a, b, d := m[2]*m[4]-m[3]*m[3], m[2]*m[3]-m[1]*m[4], m[1]*m[3]-m[2]*m[2]
	det := m[0]*a + m[1]*b + m[2]*d
	if !(math.Abs(det) > 1e-9*m[0]*m[2]*m[4]) {
		return c, false
	}
	e, f, g := m[0]*m[4]-m[2]*m[2], m[1]*m[2]-m[0]*m[3], m[0]*m[2]-m[1]*m[1]
	return [3]float64{(a*r[0] + b*r[1] + d*r[2]) / det, (b*r[0] + e*r[1] + f*r[2]) / det, (d*r[0] + f*r[1] + g*r[2]) / det}, true
}
