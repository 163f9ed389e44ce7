package simulate

import (
	"math"
	"math/rand/v2"
)

// otherLesser returns m with another lesser trochanter: higher or lower, leaning
// up or down, further to the front or to the back.
func (m *Mesh) otherLesser(rng *rand.Rand) *Mesh {
	const besideTip = 28 // mm below the tip, where the shaft has no trochanter
	grow, lean, turn := span{0.3, 1.7}.wide(rng), span{-0.7, 0.7}.even(rng), span{-25, 25}.even(rng)
	x, y := m.Centre(0)
	tip := m.Vertices[m.tip()].sub(vec{x, y, 0})
	out := vec{tip[0], tip[1], 0}.unit()
	shaft := 0.0 // its radius towards the tip
	for _, p := range m.Vertices {
		if abs(p[2]-besideTip) < 3 {
			x, y := m.Centre(p[2])
			shaft = max(shaft, p.sub(vec{x, y, p[2]}).dot(out))
		}
	}
	o := &Mesh{Vertices: append([]vec(nil), m.Vertices...), Triangles: m.Triangles, ring: m.ring, Length: m.Length, Head: m.Head, centres: m.centres}
	for i, p := range m.Vertices {
		w := smooth((p[2]+20)/12) * smooth((35-p[2])/20)
		if w == 0 {
			continue
		}
		x, y := m.Centre(p[2])
		q := p.sub(vec{x, y, p[2]})
		d := q.dot(out)
		w *= smooth((d/q.norm() - 0.2) / 0.4)
		h := max(0, d-shaft) * w
		q = q.add(out.mul((grow - 1) * h))
		sn, cs := sincosDeg(turn * w)
		o.Vertices[i] = vec{x + q[0]*cs - q[1]*sn, y + q[0]*sn + q[1]*cs, p[2] + lean*h*grow}
	}
	o.normals()
	return o
}

// otherLesser gives a femur's lesser trochanter another form, its tip where it was:
// blunt or pointed, leaning up or down.
func (b *bone) otherLesser(rng *rand.Rand) {
	s := &b.solids[b.lesser]
	was := s.outer
	out, side := was.m[0].unit(), was.m[1].unit()
	tip := was.c.add(out.mul(1 / was.m[0].norm()))
	sn, cs := sincosDeg(span{-30, 30}.even(rng))
	lean := out.mul(cs).add(side.cross(out).mul(sn)).unit()
	long := span{15, 26}.even(rng)
	e := ellipsoid(tip.sub(lean.mul(long)), mat{lean, side, side.cross(lean)}, vec{long, span{9, 14}.even(rng), span{11, 22}.even(rng)})
	wall := 1/was.m[0].norm() - 1/s.inner.m[0].norm()
	*s = newSolid(e, math.Max(0.5, wall), s.density)
	s.proud = true
	b.bounded()
}

// otherLessers changes the lesser trochanters of a staged scene and lays shells
// across them.
func (t *stage) otherLessers(rng *rand.Rand) {
	for i := range t.legs {
		l := &t.legs[i]
		if l.femur != nil && rng.Float64() < 0.7 {
			l.femur.otherLesser(rng)
		}
		if rng.Float64() < 0.3 {
			t.clutter(rng, l.place.world(vec{-20, -10, span{-40, 20}.even(rng)}), 18)
		}
	}
}
