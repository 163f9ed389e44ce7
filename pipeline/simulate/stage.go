package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// prop is something that is no femur. All but bones are in the world.
type prop struct {
	bones []*bone
	pose  Pose
	shell []shell
	soft  []quadric
	gas   []quadric
	ribs  []rib
}

// rib is a thin curved bone given by its course on the detector.
type rib struct {
	course       []geom.PointMM
	radius, wall float64
}

// path returns the length in the rib's wall and inside of it at p.
func (b *rib) path(p geom.PointMM) (wall, hollow float64) {
	least := math.Inf(1)
	for i := 1; i < len(b.course); i++ {
		a, d := b.course[i-1], b.course[i].Sub(b.course[i-1])
		q := p.Sub(a)
		t := max(0, min(1, q.Dot(d)/d.Dot(d)))
		q = q.Sub(d.Mul(t))
		least = min(least, q.Dot(q))
	}
	chord := func(r float64) float64 { return 2 * math.Sqrt(max(0, r*r-least)) }
	hollow = chord(b.radius - b.wall)
	return chord(b.radius) - hollow, hollow
}

// stage is a scene made ready to be traced.
type stage struct {
	*Scene
	legs  []stagedLeg
	bones []stagedBone
	shell []shell
	soft  []quadric // soft tissue in the world
	gas   []quadric
	ribs  []rib
	field window
}

type stagedLeg struct {
	*Leg
	place        placement
	femur        *bone       // nil for a bare leg and for a mesh
	mesh         *stagedMesh // nil for others
	skin, muscle tube
}

type stagedBone struct {
	*bone
	place *placement
}

// stage builds the surfaces of s.
func (s *Scene) stage() *stage {
	t := &stage{Scene: s, legs: make([]stagedLeg, len(s.Legs)), field: s.Field.window()}
	var heads []vec
	for i := range s.Legs {
		leg := &s.Legs[i]
		l := &t.legs[i]
		l.Leg, l.place = leg, leg.Pose.placement()
		l.skin, l.muscle = leg.Thigh.build(leg.Anatomy)
		if leg.Bare {
			continue
		}
		if leg.Mesh != nil {
			l.mesh = leg.Mesh.stage(s.Beam, leg.Anatomy, &l.place)
			if leg.Lower {
				t.lower(leg.Anatomy, leg.Mesh.knee(), &l.place)
			}
			heads = append(heads, l.place.world(leg.Mesh.Head))
			continue
		}
		l.femur = leg.Anatomy.build()
		if leg.Implant != "" {
			l.femur.fit(leg.Implant, leg.Anatomy)
		}
		below := &l.place // where what is beyond a fracture lies
		if leg.Break != nil {
			p, d := l.femur.parts(leg.Break.Z)
			place := leg.Break.moved(leg.Pose).placement()
			below = &place
			t.bones = append(t.bones, stagedBone{p, &l.place}, stagedBone{d, below})
		} else {
			t.bones = append(t.bones, stagedBone{l.femur, &l.place})
		}
		if leg.Lower {
			t.lower(leg.Anatomy, leg.Anatomy.knee(), below)
		}
		heads = append(heads, l.place.world(l.femur.solids[l.femur.head].outer.c))
	}
	if s.Pelvis.Shown && len(heads) > 0 {
		t.pelvis(heads)
	}
	for i := range s.Other {
		p := &s.Other[i]
		place := p.pose.placement()
		for _, b := range p.bones {
			t.bones = append(t.bones, stagedBone{b, &place})
		}
		t.shell = append(t.shell, p.shell...)
		t.soft = append(t.soft, p.soft...)
		t.gas = append(t.gas, p.gas...)
		t.ribs = append(t.ribs, p.ribs...)
	}
	return t
}

// pelvis places the pelvis on the heads of the femurs.
func (t *stage) pelvis(heads []vec) {
	lat := t.Legs[0].View == "LAT"
	var middle, f vec
	k := t.Legs[0].Anatomy.HeadRadius / 24
	for i, h := range heads {
		m := medial(t.Legs[i].Pose.Side)
		if lat {
			// Seen from the side: medial is along the beam.
			m = vec{0, 0, 1}
			if t.Legs[i].Pose.Turn < 0 {
				m = vec{0, 0, -1}
			}
		}
		sn, cs := sincosDeg(t.Legs[i].Pose.Slant * 0.6)
		f = vec{-sn, cs, 0}
		if !lat {
			m = vec{m[0] * cs, m[0] * sn, 0}
		}
		if r := t.Legs[i].Anatomy.HeadRadius; t.Pelvis.Sockets == 0 {
			t.shell = append(t.shell, hemipelvis(h, m, f, r, nil)...)
		} else {
			rng := rand.New(rand.NewPCG(t.Pelvis.Sockets, uint64(i)))
			t.shell = append(t.shell, hemipelvis(h, m, f, r, rng)[1:]...)
			t.shell = append(t.shell, newHipFrame(h, m, f, r).socket(rng)...)
		}
		middle = h.add(m.mul(92 * k))
	}
	m := medial(t.Legs[0].Pose.Side)
	t.shell = append(t.shell, sacrum(middle.sub(f.mul(75*k)), m, f, k)...)
	w := t.Pelvis.Trunk
	deep := vec{w, 190, 0.62 * w}
	t.soft = append(t.soft, ellipsoid(middle.sub(f.mul(110)), mat{m, f, m.cross(f)}, deep))
	for _, g := range t.Pelvis.Gas {
		t.gas = append(t.gas, ellipsoid(middle.add(m.mul(-g.C[0])).add(f.mul(g.C[1])).add(vec{0, 0, g.C[2]}), mat{m, f, m.cross(f)}, g.R))
	}
}
