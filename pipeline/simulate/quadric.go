package simulate

import "math"

// quadric is an ellipsoid, or a neck: a hyperboloid of one sheet whose section
// is an ellipse that widens both ways from its waist.
type quadric struct {
	c     vec     // centre, or middle of the waist
	m     mat     // rows: axes over semi-axes; the last row of a neck is its axis of unit length
	flare float64 // 0: ellipsoid; else section² grows by flare·w² at w mm along the axis
	w     interval
	reach float64 // square of the radius of a sphere around c that holds it
}

// ellipsoid has the semi-axes r along the columns of axes.
func ellipsoid(c vec, axes mat, r vec) quadric {
	return quadric{c: c, m: mat{axes[0].mul(1 / r[0]), axes[1].mul(1 / r[1]), axes[2].mul(1 / r[2])}}.bounded()
}

// sphere has radius r.
func sphere(c vec, r float64) quadric {
	return ellipsoid(c, mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, vec{r, r, r})
}

// neck has its waist at c with the half-widths r1 along e1 and r2 across, its
// axis along axis, and ends at w mm along the axis.
func neck(c, axis, e1 vec, r1, r2, flare float64, w interval) quadric {
	e1 = e1.sub(axis.mul(e1.dot(axis))).unit()
	return quadric{c: c, m: mat{e1.mul(1 / r1), axis.cross(e1).mul(1 / r2), axis}, flare: flare, w: w}.bounded()
}

// inset is the surface a wall of t mm inside q.
func (q quadric) inset(t float64) quadric {
	p := q
	for i := range p.m {
		if q.flare > 0 && i == 2 {
			continue
		}
		r := 1 / q.m[i].norm()
		p.m[i] = q.m[i].mul(r / math.Max(r-t, 0.2))
	}
	return p.bounded()
}

func (q quadric) bounded() quadric {
	q.reach = q.bound() * q.bound()
	return q
}

// bound is the radius of a sphere around c that holds q.
func (q quadric) bound() float64 {
	if q.flare > 0 {
		w := math.Max(math.Abs(q.w.a), math.Abs(q.w.b))
		r := math.Max(1/q.m[0].norm(), 1/q.m[1].norm())
		return w + r*math.Sqrt(1+q.flare*w*w)
	}
	r := 0.0
	for i := range q.m {
		r = math.Max(r, 1/q.m[i].norm())
	}
	return r
}

// cross intersects the ray o + t·d with q. disc is positive when the ray meets
// the surface, 0 on a tangent ray. d is of unit length.
func (q *quadric) cross(o, d vec) (v interval, disc float64, hit bool) {
	p := o.sub(q.c)
	if along := p.dot(d); p.dot(p)-along*along > q.reach {
		return v, -1, false
	}
	u, e := q.m.mul(p), q.m.mul(d)
	var a, b, c float64
	if q.flare == 0 {
		a, b, c = e.dot(e), u.dot(e), u.dot(u)-1
	} else {
		a = e[0]*e[0] + e[1]*e[1] - q.flare*e[2]*e[2]
		b = u[0]*e[0] + u[1]*e[1] - q.flare*u[2]*e[2]
		c = u[0]*u[0] + u[1]*u[1] - q.flare*u[2]*u[2] - 1
	}
	disc = b*b - a*c
	if disc <= 0 || a <= 0 {
		return v, disc, false
	}
	s := math.Sqrt(disc)
	v = interval{(-b - s) / a, (-b + s) / a}
	if q.flare > 0 {
		lo, hi := (q.w.a-u[2])/e[2], (q.w.b-u[2])/e[2]
		if lo > hi {
			lo, hi = hi, lo
		}
		v.a, v.b = math.Max(v.a, lo), math.Min(v.b, hi)
	}
	return v, disc, v.b > v.a
}
