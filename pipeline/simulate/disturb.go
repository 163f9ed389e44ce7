package simulate

import (
	"math"
	"math/rand/v2"
)

// turnMore turns a third of the legs beyond how they are usually laid.
func (s *Scene) turnMore(rng *rand.Rand) {
	if rng.Float64() < 0.3 {
		more := span{-25, 25}.even(rng)
		for i := range s.Legs {
			s.Legs[i].Pose.Turn += more
		}
	}
}

// dress gives a mesh's anatomy a cortex that goes with its width and soft parts
// that go with its bow.
func (a *Anatomy) dress(rng *rand.Rand, m *Mesh) {
	lo, hi := vec{math.Inf(1), math.Inf(1)}, vec{math.Inf(-1), math.Inf(-1)}
	for _, p := range m.Vertices {
		if abs(p[2]-a.Isthmus*a.Length) < 4 {
			for k := range 2 {
				lo[k], hi[k] = min(lo[k], p[k]), max(hi[k], p[k])
			}
		}
	}
	half := min(hi[0]-lo[0], hi[1]-lo[1]) / 2
	a.Thickness = half * span{0.3, 0.62}.even(rng)
	a.HeadRadius = m.headRadius()
	x, y := m.Centre(a.Length - 40)
	u := (0.55*a.Length - 40) / 1000
	a.BowSkew, a.CoronalBow, a.SagittalBow = 0, -x/(500*u*u), -y/(500*u*u)
}

// disturb adds to a staged scene what the usual anatomy leaves out: bumps of
// bone at the head's rim, on the neck and at the condyles, and shells that no
// socket has.
func (t *stage) disturb(rng *rand.Rand) {
	for i := range t.legs {
		l := &t.legs[i]
		var head vec
		var r float64
		switch {
		case l.mesh != nil:
			head, r = l.mesh.Head, l.mesh.headRadius()
		case l.femur != nil:
			b := l.femur
			head, r = b.solids[b.head].outer.c, 1/b.solids[b.head].outer.m[0].norm()
			if rng.Float64() < 0.35 {
				for range 1 + rng.IntN(4) {
					b.bump(rng, head, r)
				}
				for range rng.IntN(3) {
					c := b.solids[[]int{b.condyleLateral, b.condyleMedial}[rng.IntN(2)]].outer
					b.bump(rng, c.c.sub(vec{0, 0, 8}), 0.85/c.m[0].norm())
				}
				b.bounded()
			}
		default:
			continue
		}
		if rng.Float64() < 0.5 {
			t.clutter(rng, l.place.world(head), r)
		}
	}
}

// bump adds a small ellipsoid of bone that stands proud of a sphere.
func (b *bone) bump(rng *rand.Rand, c vec, r float64) {
	d := vec{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}.unit()
	size := span{2, 7}.even(rng)
	proud := span{0.5, 3.5}.even(rng)
	at := c.add(d.mul(r + proud - size))
	e := ellipsoid(at, mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, vec{size * span{0.8, 1.6}.even(rng), size, size * span{0.8, 1.6}.even(rng)})
	b.solids = append(b.solids, newSolid(e, 0.5, span{0.4, 1.4}.even(rng)))
}

// clutter lays shells of bone around and across a head at h in the world.
func (t *stage) clutter(rng *rand.Rand, h vec, r float64) {
	even := func(a, b float64) float64 { return span{a, b}.even(rng) }
	if rng.Float64() < 0.5 { // a cup about as round as the head
		gap := even(1, 5)
		wall := even(1, 6)
		c := h.add(vec{even(-2, 2), even(-2, 2), even(-3, 3)})
		sn, cs := sincosDeg(even(0, 360))
		t.shell = append(t.shell, shell{outer: sphere(c, r+gap+wall), inner: sphere(c, r+gap), cuts: []half{{vec{cs, sn, 0}, c}}, dense: even(0.1, 0.9)})
	}
	for range rng.IntN(4) { // walls and lines that cross it
		c := h.add(vec{even(-1, 1) * 1.4 * r, even(-1, 1) * 1.4 * r, even(-10, 10)})
		sn, cs := sincosDeg(even(0, 180))
		q := ellipsoid(c, mat{{cs, sn, 0}, {-sn, cs, 0}, {0, 0, 1}}, vec{even(10, 45), even(8, 45), even(5, 25)})
		t.shell = append(t.shell, shell{outer: q, inner: q.inset(even(0.8, 2.5)), fill: even(0, 0.6), dense: even(0.2, 0.9)})
	}
}
