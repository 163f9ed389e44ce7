package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

// rim returns n places on the outline of an ellipsoid as it is projected: those
// where the ray from the source is tangent, which lie on the polar plane of the
// source. q is in the body frame of pl.
func (t *stage) rim(q *quadric, pl *placement, n int) []geom.PointMM {
	s := q.m.mul(pl.body(t.Beam.source()).sub(q.c)) // the source where the ellipsoid is the unit sphere
	k := 1 / s.dot(s)
	centre, r := s.mul(k), math.Sqrt(1-k)
	u := s.unit()
	e := vec{1, 0, 0}
	if abs(u[0]) > 0.9 {
		e = vec{0, 1, 0}
	}
	e1 := u.cross(e).unit()
	e2 := u.cross(e1)
	// The rows of m are orthogonal: its inverse maps through the squared lengths.
	out := make([]geom.PointMM, n)
	for i := range out {
		sn, cs := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		p := centre.add(e1.mul(r * cs)).add(e2.mul(r * sn))
		b := q.c
		for j := range q.m {
			b = b.add(q.m[j].mul(p[j] / q.m[j].dot(q.m[j])))
		}
		out[i] = t.Beam.project(pl.world(b))
	}
	return out
}

// edgeOf bisects for the place between from (inside) and to (outside) on the
// detector where hit changes.
func edgeOf(from, to geom.PointMM, hit func(p geom.PointMM) bool) geom.PointMM {
	for range 40 {
		m := from.Add(to).Mul(0.5)
		if hit(m) {
			from = m
		} else {
			to = m
		}
	}
	return from.Add(to).Mul(0.5)
}

// outline is one level of a shaft's silhouettes on the detector. An edge that
// does not exist is NaN.
type outline struct {
	z                                      float64
	centre, positive                       geom.PointMM // projected centre line; unit vector to the positive side
	outerPos, outerNeg, innerPos, innerNeg geom.PointMM
}

// profile is what the truth needs to know of a femur's shaft: whether the ray
// through a place on the detector meets the outer and the medullary surface.
type profile struct {
	outer, inner, whole func(p geom.PointMM) bool // whole: with what widens the distal end
	centre              func(z float64) (x, y float64)
	flareZ              float64
}

// profile of a femur made of surfaces.
func (t *stage) profile(l *stagedLeg) profile {
	if l.mesh != nil {
		return l.mesh.profile()
	}
	b := l.femur
	ray := func(p geom.PointMM) (o, d vec, near float64) {
		o, d = t.Beam.ray(&l.place, p)
		dist := t.Beam.source().sub(vec{p.X, p.Y, 0}).norm()
		return o, d, l.place.at[2] * dist / t.Beam.SID
	}
	in := func(s *tube) func(geom.PointMM) bool {
		return func(p geom.PointMM) bool {
			o, d, near := ray(p)
			c, _ := s.cross(o, d, near)
			return c.min < 0
		}
	}
	f := profile{outer: in(&b.outer), inner: in(&b.inner), centre: b.outer.centre, flareZ: b.flareZ}
	f.whole = func(p geom.PointMM) bool {
		if f.outer(p) {
			return true
		}
		o, d, _ := ray(p)
		for i := range b.solids {
			if b.solids[i].lo > b.flareZ-10 {
				if _, _, hit := b.solids[i].outer.cross(o, d); hit {
					return true
				}
			}
		}
		return false
	}
	return f
}

// silhouettes traces the edges of a femur's shaft from z0 to z1 mm. From the
// supracondylar flare on, the outer edge is that of the whole bone.
func (t *stage) silhouettes(l *stagedLeg, z0, z1, step float64) []outline {
	f := t.profile(l)
	nan := geom.PointMM{X: math.NaN(), Y: math.NaN()}
	line := t.centreLine(l, z0, z1, step)
	for i := range line {
		q := &line[i]
		find := func(sign float64, hit func(geom.PointMM) bool, from geom.PointMM, far float64) geom.PointMM {
			if !hit(from) {
				return nan
			}
			return edgeOf(from, from.Add(q.positive.Mul(sign*far)), hit)
		}
		outer := f.outer
		if q.z > f.flareZ-20 {
			outer = f.whole
		}
		q.outerPos = find(1, outer, q.centre, 80)
		q.outerNeg = find(-1, outer, q.centre, 80)
		canal := q.centre
		for s := 0.5; s < 8 && !f.inner(canal); s += 0.5 { // it may lie beside the centre line
			canal = q.centre.Add(q.positive.Mul(s))
			if !f.inner(canal) {
				canal = q.centre.Add(q.positive.Mul(-s))
			}
		}
		q.innerPos = find(1, f.inner, canal, 60)
		q.innerNeg = find(-1, f.inner, canal, 60)
	}
	return line
}

// centreLine is the projected centre line with its positive side, without edges.
func (t *stage) centreLine(l *stagedLeg, z0, z1, step float64) []outline {
	centre := l.centre()
	project := func(z float64) geom.PointMM {
		x, y := centre(z)
		return t.Beam.project(l.place.world(vec{x, y, z}))
	}
	var out []outline
	for z := z0; z <= z1+1e-9; z += step {
		q := outline{z: z, centre: project(z)}
		along := project(z + 1).Sub(project(z - 1)).Unit()
		q.positive = geom.PointMM{X: -along.Y, Y: along.X}
		if q.positive.Dot(t.positive(l, z)) < 0 {
			q.positive = q.positive.Mul(-1)
		}
		out = append(out, q)
	}
	return out
}

// centre returns the femur's centre line.
func (l *stagedLeg) centre() func(z float64) (x, y float64) {
	if l.mesh != nil {
		return l.mesh.Centre
	}
	return l.femur.outer.centre
}

// positive returns the projected direction of the side that counts as positive.
func (t *stage) positive(l *stagedLeg, z float64) geom.PointMM {
	x, y := l.centre()(z)
	p := vec{x, y, z}
	q := p.add(vec{1, 0, 0})
	if l.View == "LAT" {
		q = p.add(vec{0, 1, 0})
	}
	return t.Beam.project(l.place.world(q)).Sub(t.Beam.project(l.place.world(p)))
}

// waistCentre returns the middle of the narrowest place of the neck's outline.
func (t *stage) waistCentre(l *stagedLeg) geom.PointMM {
	a, b := t.waist(l)
	return a.Add(b).Mul(0.5)
}

// waist returns the two places of the neck's outline where it is narrowest.
func (t *stage) waist(l *stagedLeg) (p, q geom.PointMM) {
	neck := &l.femur.solids[l.femur.waist].outer
	hit := func(p geom.PointMM) bool {
		o, d := t.Beam.ray(&l.place, p)
		_, disc, _ := neck.cross(o, d)
		return disc > 0
	}
	project := func(w float64) geom.PointMM {
		return t.Beam.project(l.place.world(neck.c.add(l.femur.neckAxis.mul(w))))
	}
	width := math.Inf(1)
	for w := -14.0; w <= 14; w += 0.25 {
		c := project(w)
		along := project(w + 1).Sub(project(w - 1)).Unit()
		n := geom.PointMM{X: -along.Y, Y: along.X}
		a, b := edgeOf(c, c.Add(n.Mul(60)), hit), edgeOf(c, c.Sub(n.Mul(60)), hit)
		if d := a.Sub(b).Norm(); d < width {
			p, q, width = a, b, d
		}
	}
	return p, q
}
