package simulate

import (
	"math/rand/v2"

	"shaftgauge/measure"
)

// Pelvis is what overlaps the hip: pelvic bones, trunk and bowel gas.
type Pelvis struct {
	Shown   bool
	Density float64 // factor on its bone
	Trunk   float64 // half-width of the soft tissue in mm
	Gas     []Gas
	Sockets uint64 // seed of the shapes of sockets and pelvic bones; 0: all alike, with a plain roof
}

// Gas is an ellipsoid of bowel gas, in mm from the middle of the pelvis.
type Gas struct{ C, R [3]float64 }

// half is the space on the side of a plane through p that n points to.
type half struct{ n, p vec }

// keep shortens v to what of the ray o + t·d lies in h; false where nothing does.
func (h *half) keep(o, d vec, v *interval) bool {
	k := h.n.dot(o.sub(h.p))
	slope := h.n.dot(d)
	switch t := -k / slope; {
	case slope > 0:
		v.a = max(v.a, t)
	case slope < 0:
		v.b = min(v.b, t)
	default:
		return k >= 0
	}
	return v.b > v.a
}

// shell is a bone or a soft part given by its wall: outer without inner, where
// planes do not cut it away.
type shell struct {
	outer, inner quadric
	cuts         []half  // only what lies in all of them
	fill         float64 // density of the cancellous bone inside
	dense        float64 // of the wall
}

// chord returns the length in the wall and the length inside.
func (s *shell) chord(o, d vec) (wall, hollow float64) {
	if s.outer.misses(&o, &d) {
		return 0, 0
	}
	v, _, ok := s.outer.cross(o, d)
	if !ok {
		return 0, 0
	}
	in, _, hit := s.inner.cross(o, d)
	part := v
	for i := range s.cuts {
		if !s.cuts[i].keep(o, d, &part) {
			return 0, 0
		}
	}
	if part.b <= part.a {
		return 0, 0
	}
	wall = part.b - part.a
	if hit {
		h := max(0, min(in.b, part.b)-max(in.a, part.a))
		wall -= h
		hollow = h
	}
	return wall * s.dense, hollow * s.fill
}

// hemipelvis makes the pelvic bone around a hip whose head is at h in the world,
// medial along m (a unit vector), distal along f, with the head's radius r: a
// plain roof, then the other bones, whose shapes rng varies where there is one.
func hemipelvis(h, m, f vec, r float64, rng *rand.Rand) []shell {
	u := m.cross(f).unit() // out of the plane
	k := r / 24
	at := func(a, b, c float64) vec { return h.add(m.mul(a * k)).add(f.mul(b * k)).add(u.mul(c * k)) }
	// axes turned in the film's plane by its sine and cosine
	turned := func(s, c float64) mat { return mat{m.mul(c).add(f.mul(s)), f.mul(c).sub(m.mul(s)), u} }
	part := func(c vec, ax mat, r vec, wall, fill float64) shell {
		if rng != nil {
			by := func(a, b float64) float64 { return span{a, b}.even(rng) }
			c = c.add(vec{by(-6, 6), by(-6, 6), by(-6, 6)})
			r = vec{r[0] * by(0.75, 1.25), r[1] * by(0.75, 1.25), r[2] * by(0.6, 1.4)}
			wall, fill = wall*span{0.5, 2}.wide(rng), fill*by(0.2, 1.8)
		}
		q := ellipsoid(c, ax, r.mul(k))
		return shell{outer: q, inner: q.inset(wall), fill: fill, dense: 0.75}
	}
	roof := shell{outer: sphere(h, r+8*k), inner: sphere(h, r+3.5*k), cuts: []half{{m.mul(0.75).sub(f.mul(0.66)), h}}, dense: 0.4}
	return []shell{
		roof,
		part(at(38, -70, 4), turned(0.25, 0.97), vec{44, 66, 9}, 1.2, 0.5),   // ala of the ilium
		part(at(22, -28, 0), turned(-0.4, 0.92), vec{20, 30, 15}, 1.1, 0.8),  // ilium above the joint
		part(at(30, 26, -14), turned(0.12, 0.99), vec{13, 36, 13}, 1.2, 0.7), // ischium
		part(at(28, 54, -10), turned(-0.5, 0.87), vec{15, 20, 13}, 1.1, 0.8), // tuberosity
		part(at(58, 6, 14), turned(0.28, 0.96), vec{42, 9, 8}, 1.5, 0.4),     // superior ramus
		part(at(64, 44, 6), turned(-0.75, 0.66), vec{36, 7, 6}, 1.4, 0.4),    // inferior ramus
		part(at(92, 26, 16), turned(0.2, 0.98), vec{11, 19, 9}, 1.5, 0.5),    // body of the pubis
	}
}

// sacrum in the middle at c.
func sacrum(c, m, f vec, k float64) []shell {
	u := m.cross(f).unit()
	q := ellipsoid(c, mat{m, f, u}, vec{52 * k, 62 * k, 26 * k})
	v := ellipsoid(c.sub(f.mul(75*k)), mat{m, f, u}, vec{26 * k, 30 * k, 22 * k})
	return []shell{{outer: q, inner: q.inset(1.5), fill: 0.3, dense: 0.7}, {outer: v, inner: v.inset(1.6), fill: 0.4, dense: 0.7}}
}

// medial is the world direction towards the body's middle of a leg.
func medial(side measure.Side) vec {
	if side == measure.Right {
		return vec{1, 0, 0}
	}
	return vec{-1, 0, 0}
}
