package simulate

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// laidOut is a femur that lies parallel to a large film under a source so far
// away that the beam is nearly parallel.
func laidOut(change func(*Leg)) *stage {
	a := DrawUnseen(rand.New(rand.NewPCG(1, 2)), "ap_long").Legs[0].Anatomy
	a.CoronalBow, a.SagittalBow, a.Anteversion, a.Focal = 0, 0, 0, nil
	a.Side = measure.Left
	l := Leg{Anatomy: a, View: measure.AP, Thigh: Thigh{Hip: 80, Middle: 70, Knee: 60, Flat: 1, Fat: 10},
		Pose: Pose{Side: measure.Left, Pivot: vec{0, 0, 160}, At: vec{0, 0, 100}}}
	change(&l)
	l.Pose.Side = l.Anatomy.Side
	s := &Scene{Beam: Beam{SID: 1e6}, Legs: []Leg{l}, Plate: Plate{Width: 400, Height: 900, Spacing: geom.Spacing{Y: 0.2, X: 0.2}},
		Field: Field{Width: 500, Height: 1000}}
	s.Facts.ImagerPixelSpacing = s.Plate.Spacing
	return s.stage()
}

func valuesOf(t *testing.T, st *stage) map[measure.Quantity]float64 {
	t.Helper()
	tr := st.truth(st.Plate.grid())
	if len(tr.Femurs) != 1 || !tr.Femurs[0].Whole {
		t.Fatalf("no whole femur: %+v", tr.Femurs)
	}
	return tr.Femurs[0].Values
}

// tan(180° − projected) = tan(180° − true)·cos θ for a neck turned θ out of the
// film's plane, parallel beam (vector algebra; the table of true 120, 130, 145
// at 0, 20, 30 and 40° follows from it: 130 → 131.76, 134.10, 137.61). The truth
// measures its angle from the projected mid-line and waist, so its own value at
// 0° stands for the true one.
func TestProjectedNeckShaftAngle(t *testing.T) {
	for _, nsa := range []float64{120, 130, 140} {
		at := func(turn float64) float64 {
			st := laidOut(func(l *Leg) { l.Anatomy.NeckShaft = nsa; l.Pose.Turn = turn })
			return valuesOf(t, st)[measure.NeckShaftAngle]
		}
		flat := at(0)
		if math.Abs(flat-nsa) > 4 {
			t.Errorf("neck-shaft angle %.2f, made with %g", flat, nsa)
		}
		for _, turn := range []float64{-30, -20, 20, 30} {
			want := 180 - math.Atan(math.Tan((180-flat)*math.Pi/180)*math.Cos(turn*math.Pi/180))*180/math.Pi
			if got := at(turn); math.Abs(got-want) > 1 {
				t.Errorf("true %.2f, turned %g: %.2f, want %.2f", flat, turn, got, want)
			}
		}
	}
}

// The sign and the size of the bow follow the centre line's curvature, and do
// not depend on the side: + is apex lateral, apex anterior.
func TestBowSign(t *testing.T) {
	for _, side := range []measure.Side{measure.Left, measure.Right} {
		base := valuesOf(t, laidOut(func(l *Leg) { l.Anatomy.Side = side }))[measure.BowCurvature]
		for _, k := range []float64{-0.6, 0.8} {
			v := valuesOf(t, laidOut(func(l *Leg) { l.Anatomy.Side, l.Anatomy.CoronalBow = side, k }))
			if got := v[measure.BowCurvature] - base; math.Abs(got-k) > 0.12 {
				t.Errorf("%s coronal: curvature %.3f per m, want %.2f", side, got, k)
			}
			if math.Signbit(v[measure.BowAngle50]) != math.Signbit(k) {
				t.Errorf("%s coronal: bow_angle_50mm %.2f for curvature %g", side, v[measure.BowAngle50], k)
			}
		}
		for _, turn := range []float64{90, -90} {
			v := valuesOf(t, laidOut(func(l *Leg) {
				l.Anatomy.Side, l.View, l.Pose.Turn, l.Anatomy.SagittalBow = side, measure.Lateral, turn, 1
			}))
			if math.Abs(v[measure.BowCurvature]-1) > 0.35 {
				t.Errorf("%s sagittal, turned %g: curvature %.3f per m, want about 1", side, turn, v[measure.BowCurvature])
			}
		}
	}
}

// On a straight femur the anatomic lateral distal femoral angle is the
// mechanical one less the angle between the two axes (Paley, Principles of
// Deformity Correction, 2002, chapter 1).
func TestDistalAngles(t *testing.T) {
	v := valuesOf(t, laidOut(func(*Leg) {}))
	a, m, d := v[measure.AnatomicLateralDistal], v[measure.MechanicalLateralDistal], v[measure.AnatomicMechanicalAngle]
	if a == 0 || math.Abs(a-(m-d)) > 1.5 {
		t.Errorf("aLDFA %.2f, mLDFA %.2f, angle between the axes %.2f", a, m, d)
	}
}

// A mark of the mesh's chord: a sphere of radius 30 made of triangles against
// 2√(r² − h²).
func TestMeshChord(t *testing.T) {
	m := &Mesh{}
	const n = 200
	at := func(i, j int) vec {
		st, ct := math.Sincos(math.Pi * float64(i) / n)
		sp, cp := math.Sincos(2 * math.Pi * float64(j%(2*n)) / (2 * n))
		return vec{30 * st * cp, 30 * st * sp, 30 * ct}
	}
	for i := range n + 1 {
		for j := range 2 * n {
			m.Vertices = append(m.Vertices, at(i, j))
		}
	}
	id := func(i, j int) int32 { return int32(i*2*n + j%(2*n)) }
	for i := range n {
		for j := range 2 * n {
			m.Triangles = append(m.Triangles, [3]int32{id(i, j), id(i+1, j), id(i+1, j+1)}, [3]int32{id(i, j), id(i+1, j+1), id(i, j+1)})
		}
	}
	beam := Beam{SID: 1000}
	pl := Pose{At: vec{0, 0, 150}}.placement()
	s := newShadow(beam, &pl, m.Vertices, m.Triangles)
	q := sphere(vec{}, 30)
	for _, p := range []geom.PointMM{{X: 0.13, Y: 0.07}, {X: 12.3, Y: -8.8}, {X: 30.1, Y: 3.3}, {X: -34.7, Y: 0.9}, {X: 36, Y: 3}} {
		o, d := beam.ray(&pl, p)
		v, _, _ := q.cross(o, d)
		want := v.b - v.a
		if got := s.chord(beam, p); math.Abs(got-want) > 0.05 {
			t.Errorf("%v: chord %.3f, want %.3f", p, got, want)
		}
	}
}

// Whatever is drawn, the knots of its curves ascend and the canal lies inside
// the bone.
func TestAnatomyOfAllRanges(t *testing.T) {
	for seed := range uint64(400) {
		ranges := &seen
		if seed%2 == 1 {
			ranges = &unseen
		}
		d := &drawing{Rand: rand.New(rand.NewPCG(seed, 6)), Ranges: ranges, group: groups[0]}
		a := d.anatomy()
		for _, k := range append([]knots{a.softness(), a.cancellous()}, a.walls()[0]) {
			for i := 1; i < len(k.z); i++ {
				if k.z[i] <= k.z[i-1] {
					t.Fatalf("seed %d: knots %v", seed, k.z)
				}
			}
		}
		b := a.build()
		for i := range b.outer.st {
			o, in := b.outer.st[i], b.inner.st[i]
			for _, w := range [4][2]float64{{o.xp, in.xp}, {o.xn, in.xn}, {o.yp, in.yp}, {o.yn, in.yn}} {
				if !(w[0] > 0 && w[1] > 0 && w[1] < w[0]) || w[0] > 70 {
					t.Fatalf("seed %d: half-widths %v at z = %g", seed, w, b.outer.z0+tubeStep*float64(i))
				}
			}
			if z := b.outer.z0 + tubeStep*float64(i); z > -25 && z < b.flareZ+20 && math.Abs(o.xp-b.outer.st[i-1].xp) > 0.8 {
				t.Fatalf("seed %d: lateral outline jumps at z = %g", seed, b.outer.z0+tubeStep*float64(i))
			}
		}
	}
}

func TestNoFemurOnNegatives(t *testing.T) {
	for i, kind := range Negatives() {
		s := DrawNegative(rand.New(rand.NewPCG(4, uint64(i))), kind)
		s.Plate.Spacing = geom.Spacing{Y: 1, X: 1}
		f := s.Render()
		if len(f.Truth.Femurs) != 0 || f.Truth.Content != kind {
			t.Errorf("%s: %d femurs, content %q", kind, len(f.Truth.Femurs), f.Truth.Content)
		}
		least, most := f.Pixels[0], f.Pixels[0]
		for _, p := range f.Pixels {
			least, most = min(least, p), max(most, p)
		}
		if kind != "blank" && most-least < 1<<(f.Bits-3) {
			t.Errorf("%s: pixel values %d … %d of %d bits", kind, least, most, f.Bits)
		}
	}
}

// On an upright AP film of a left leg, lateral is to the right of the screen:
// clockwise of proximal, which is up.
func TestCoarseLabels(t *testing.T) {
	st := laidOut(func(*Leg) {})
	for _, side := range []measure.Side{measure.Left, measure.Right} {
		s := *st.Scene
		s.Legs = append([]Leg(nil), s.Legs...)
		s.Legs[0].Anatomy.Side, s.Legs[0].Pose.Side = side, side
		s.Physics = Physics{Soft: 0.02, Fat: 0.018, Cortical: 0.04, Cancellous: 0.008, Quanta: 1e6, Electronic: 1, TextureScale: 0.2}
		s.Style = Style{Gamma: 1, Power: 1, Low: 0.01, High: 0.99, Bits: 12}
		c := s.coarse(rand.New(rand.NewPCG(1, 1)), 256)
		want := int8(1)
		if side == measure.Right {
			want = -1
		}
		n := 0
		for i, on := range c.Femur {
			if on == 0 {
				if c.Shaft[i] != 0 || c.Sign[i] != 0 || c.DirX[i] != 0 || c.View[i] != 0 {
					t.Fatal("labels beside the femur")
				}
				continue
			}
			n++
			if c.Sign[i] != want || c.DirY[i] > -0.9 {
				t.Fatalf("%s: sign %d, direction (%.2f, %.2f)", side, c.Sign[i], c.DirX[i], c.DirY[i])
			}
		}
		if n < 300 || len(c.Femurs) != 1 {
			t.Fatalf("%d pixels of femur, %d femurs", n, len(c.Femurs))
		}
		m := c.Femurs[0].Landmarks
		if tip, head := m["lesser_trochanter"], m["head_centre"]; head.Y >= tip.Y || (head.X < tip.X) != (side == measure.Left) {
			t.Errorf("%s: head at %v, lesser trochanter at %v", side, head, tip)
		}
	}
}
