package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// midline is a line along a shaft, sampled every step mm from proximal to
// distal, in millimetres of the film.
type midline struct {
	step float64
	p    []geom.PointMM
	n    []geom.PointMM // unit normals, clockwise from the proximal direction as seen on the film
}

// newMidline resamples the polyline q every step mm.
func newMidline(q []geom.PointMM, step float64) midline {
	m := midline{step: step}
	if len(q) < 2 {
		return m
	}
	at, i := 0.0, 0
	for i < len(q)-1 {
		d := q[i+1].Sub(q[i])
		l := d.Norm()
		if at <= l && l > 0 {
			m.p = append(m.p, q[i].Add(d.Mul(at/l)))
			at += step
			continue
		}
		at -= l
		i++
	}
	m.setNormals()
	return m
}

// setNormals takes the tangent at each point over 4 mm on either side.
func (m *midline) setNormals() {
	m.n = make([]geom.PointMM, len(m.p))
	w := max(1, int(math.Round(4/m.step)))
	for i := range m.p {
		t := m.p[min(i+w, len(m.p)-1)].Sub(m.p[max(i-w, 0)]).Unit()
		m.n[i] = geom.PointMM{X: t.Y, Y: -t.X}
	}
}

// nearest returns the index of the point nearest to q.
func (m midline) nearest(q geom.PointMM) (k int) {
	for i := range m.p {
		if m.p[i].Sub(q).Norm() < m.p[k].Sub(q).Norm() {
			k = i
		}
	}
	return k
}

// extend lengthens the line by so many mm at both ends, straight on along its end
// thirds, so that a trace can run past the coarse mask.
func (m midline) extend(proximal, distal float64) midline {
	n := len(m.p)
	if n < 4 {
		return m
	}
	w := max(2, min(n/3, int(60/m.step)))
	head := extrapolate(m.p[:w], -1, int(proximal/m.step))
	tail := extrapolate(m.p[n-w:], 1, int(distal/m.step))
	out := midline{step: m.step}
	for i := len(head) - 1; i >= 0; i-- {
		out.p = append(out.p, head[i])
	}
	out.p = append(append(out.p, m.p...), tail...)
	out.setNormals()
	return out
}

// extrapolate continues the line p straight on, k points before it (dir −1) or
// after it (dir 1).
func extrapolate(p []geom.PointMM, dir, k int) []geom.PointMM {
	from, step := p[0], p[0].Sub(p[len(p)-1])
	if dir > 0 {
		from, step = p[len(p)-1], p[len(p)-1].Sub(p[0])
	}
	step = step.Mul(1 / float64(len(p)-1))
	var out []geom.PointMM
	for i := 1; i <= k; i++ {
		out = append(out, from.Add(step.Mul(float64(i))))
	}
	return out
}

// shift moves each point along its normal by d and returns the smoothed line.
func (m midline) shift(d []float64) midline {
	q := make([]geom.PointMM, len(m.p))
	for i, p := range m.p {
		q[i] = p.Add(m.n[i].Mul(d[i]))
	}
	return newMidline(q, m.step)
}

// smooth returns the values z that minimise Σ w(y−z)² + λΣ(Δ²z)², Whittaker's
// smoother with second differences (E. T. Whittaker, Proc. Edinburgh Math. Soc.
// 41 (1923) 63–75). Missing values have weight 0; at least two must not.
func smooth(y, w []float64, lambda float64) []float64 {
	n := len(y)
	if n < 3 {
		return append([]float64(nil), y...)
	}
	// Pentadiagonal LDLᵀ.
	d0, d1, d2 := make([]float64, n), make([]float64, n), make([]float64, n)
	z := make([]float64, n)
	for i := range y {
		d0[i] = w[i] + 1e-9
		if w[i] > 0 {
			z[i] = w[i] * y[i]
		}
	}
	for i := 0; i+2 < n; i++ {
		d0[i] += lambda
		d0[i+1] += 4 * lambda
		d0[i+2] += lambda
		d1[i] -= 2 * lambda
		d1[i+1] -= 2 * lambda
		d2[i] += lambda
	}
	for i := range n {
		if i >= 1 {
			// Columns i−1 and i−2 are already divided by their pivots.
			d0[i] -= d1[i-1] * d1[i-1] * d0[i-1]
			if i >= 2 {
				d0[i] -= d2[i-2] * d2[i-2] * d0[i-2]
			}
		}
		if i+1 < n {
			v := d1[i]
			if i >= 1 {
				v -= d2[i-1] * d1[i-1] * d0[i-1]
			}
			d1[i] = v / d0[i]
		}
		if i+2 < n {
			d2[i] /= d0[i]
		}
	}
	for i := range n {
		if i >= 1 {
			z[i] -= d1[i-1] * z[i-1]
		}
		if i >= 2 {
			z[i] -= d2[i-2] * z[i-2]
		}
	}
	for i := n - 1; i >= 0; i-- {
		z[i] /= d0[i]
		if i+1 < n {
			z[i] -= d1[i] * z[i+1]
		}
		if i+2 < n {
			z[i] -= d2[i] * z[i+2]
		}
	}
	return z
}
