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

// misses says whether the ray o + t·d passes the sphere that holds q.
func (q *quadric) misses(o, d *vec) bool {
	x, y, z := o[0]-q.c[0], o[1]-q.c[1], o[2]-q.c[2]
	along := x*d[0] + y*d[1] + z*d[2]
	return x*x+y*y+z*z-along*along > q.reach
}

// cross intersects the ray o + t·d with q. disc is positive when the ray meets
// the surface, 0 on a tangent ray. d is of unit length.
func (q *quadric) cross(o, d vec) (v interval, disc float64, hit bool) {
	if q.misses(&o, &d) {
		return v, -1, false
	}
	// Written out: small arrays are slow.
	x, y, z := o[0]-q.c[0], o[1]-q.c[1], o[2]-q.c[2]
	m := &q.m
	u0, e0 := m[0][0]*x+m[0][1]*y+m[0][2]*z, m[0][0]*d[0]+m[0][1]*d[1]+m[0][2]*d[2]
	u1, e1 := m[1][0]*x+m[1][1]*y+m[1][2]*z, m[1][0]*d[0]+m[1][1]*d[1]+m[1][2]*d[2]
	u2, e2 := m[2][0]*x+m[2][1]*y+m[2][2]*z, m[2][0]*d[0]+m[2][1]*d[1]+m[2][2]*d[2]
	var a, b, c float64
	if q.flare == 0 {
		a, b, c = e0*e0+e1*e1+e2*e2, u0*e0+u1*e1+u2*e2, u0*u0+u1*u1+u2*u2-1
	} else {
		a = e0*e0 + e1*e1 - q.flare*e2*e2
		b = u0*e0 + u1*e1 - q.flare*u2*e2
		c = u0*u0 + u1*u1 - q.flare*u2*u2 - 1
	}
	disc = b*b - a*c
	if disc <= 0 || a <= 0 {
		return v, disc, false
	}
	s := math.Sqrt(disc)
	v = interval{(-b - s) / a, (-b + s) / a}
	if q.flare > 0 {
		lo, hi := (q.w.a-u2)/e2, (q.w.b-u2)/e2
		if lo > hi {
			lo, hi = hi, lo
		}
		v.a, v.b = math.Max(v.a, lo), math.Min(v.b, hi)
	}
	return v, disc, v.b > v.a
}
