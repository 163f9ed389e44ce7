package simulate

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// straight is a circular tube of radius r around the z axis.
func straight(r float64) *tube {
	t := &tube{z0: -200, st: make([]station, 801)}
	for i := range t.st {
		t.st[i] = station{xp: r, xn: r, yp: r, yn: r}
	}
	return t
}

// A line at distance h from the axis of a circular cylinder of radius r, and at
// the angle φ to the axis, runs 2√(r² − h²)/sin φ inside it (elementary
// geometry).
func TestTubeChord(t *testing.T) {
	const r = 14.0
	tube := straight(r)
	for _, h := range []float64{0, 3, 10, 13, 13.9, 13.999} {
		for _, phi := range []float64{90, 80, 65} {
			s, c := sincosDeg(phi)
			d := vec{0, s, c}
			o := vec{h, -300 * s, -300 * c}
			got, hit := tube.cross(o, d, 290)
			want := 2 * math.Sqrt(r*r-h*h) / s
			if !hit || math.Abs(got.b-got.a-want) > 2e-3 {
				t.Errorf("h = %g mm, φ = %g°: chord %.5f mm, want %.5f", h, phi, got.b-got.a, want)
			}
		}
	}
	for _, h := range []float64{14.001, 16, 40} {
		if _, hit := tube.cross(vec{h, -300, 0}, vec{0, 1, 0}, 300); hit {
			t.Errorf("a ray %g mm from the axis meets the tube", h)
		}
	}
}

// crossings by brute force: steps of 0.01 mm along the ray.
func march(t *tube, o, d vec, from, to float64) (length float64) {
	const step = 0.01
	for s := from; s < to; s += step {
		p := o.at(s, d)
		if p[2] >= t.z0 && p[2] <= t.z1() && t.level(p[0], p[1], p[2]) < 0 {
			length += step
		}
	}
	return length
}

func TestChordsOfFemur(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for _, group := range []string{"ap_full", "lat_full"} {
		s := DrawUnseen(rng, group)
		st := s.stage()
		l := &st.legs[0]
		for _, tube := range []*tube{&l.femur.outer, &l.femur.inner} {
			for range 60 {
				z := span{-20, l.femur.flareZ}.even(rng)
				x, y := tube.centre(z)
				c := st.Beam.project(l.place.world(vec{x, y, z}))
				p := c.Add(geom.PointMM{X: span{-25, 25}.even(rng), Y: span{-10, 10}.even(rng)})
				o, d := st.Beam.ray(&l.place, p)
				near := l.place.at[2] * 1.03
				got, _ := tube.cross(o, d, near)
				length := 0.0
				if got.b > got.a && got.min < 0 {
					length = got.b - got.a
				}
				want := march(tube, o, d, near-120, near+120)
				if math.Abs(length-want) > 0.05+0.02*want {
					t.Errorf("%s: chord %.3f mm, marched %.3f (level %.3f)", group, length, want, got.min)
				}
			}
		}
	}
}

// A sphere's projected centre and size: M = SID/SOD. SID 1150, OID 150 gives
// M = 1.1500, SID 1000 and OID 150 gives 1.1765 (elementary; the values are the
// usual worked ones).
func TestMagnification(t *testing.T) {
	for _, c := range []struct{ sid, oid, m float64 }{{1150, 100, 1.0952}, {1150, 150, 1.1500}, {1000, 150, 1.1765}, {1800, 150, 1.0909}, {1200, 180, 1.1765}} {
		st := &stage{Scene: &Scene{Beam: Beam{SID: c.sid}}}
		pl := Pose{At: vec{0, 0, c.oid}}.placement()
		q := sphere(vec{}, 10)
		rim := st.rim(&q, &pl, 360)
		r := 0.0
		for _, p := range rim {
			r += p.Norm() / float64(len(rim))
		}
		// The tangent rays touch the sphere above its equator: its shadow is
		// larger than M·r by 1/√(1 − (r/SOD)²).
		sod := c.sid - c.oid
		if want := 10 * c.sid / sod / math.Sqrt(1-100/(sod*sod)); math.Abs(r-want) > 1e-9 || math.Abs(r/10-c.m) > 2e-4 {
			t.Errorf("SID %g, OID %g: radius %.5f, want %.5f", c.sid, c.oid, r, want)
		}
		off := st.Beam.project(pl.world(vec{100, 0, 0}))
		if math.Abs(off.X/100-c.m) > 5e-5 {
			t.Errorf("SID %g, OID %g: M %.5f, want %.4f", c.sid, c.oid, off.X/100, c.m)
		}
	}
}

func TestSameSeedSameFilm(t *testing.T) {
	var first []byte
	var pixels []uint16
	for range 2 {
		s := Draw(rand.New(rand.NewPCG(3, 9)), "ap_midshaft")
		s.Plate.Spacing = geom.Spacing{Y: 0.6, X: 0.6}
		f := s.Render()
		var b bytes.Buffer
		if err := f.Truth.WriteJSON(&b); err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first, pixels = b.Bytes(), f.Pixels
			continue
		}
		if !bytes.Equal(first, b.Bytes()) {
			t.Error("truth differs")
		}
		for i := range pixels {
			if pixels[i] != f.Pixels[i] {
				t.Fatalf("pixel %d: %d and %d", i, pixels[i], f.Pixels[i])
			}
		}
	}
	a, b := Coarse(11, 64, nil), Coarse(11, 64, nil)
	if !bytes.Equal(a.Image, b.Image) || !bytes.Equal(a.Femur, b.Femur) {
		t.Error("coarse samples of one seed differ")
	}
}

// The truth's edges are where the marched chord becomes zero.
func TestSilhouettes(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	for _, group := range []string{"ap_full", "lat_full", "turned"} {
		s := Draw(rng, group)
		st := s.stage()
		l := &st.legs[0]
		near := l.place.at[2] * 1.02
		for i, q := range st.silhouettes(l, -10, l.femur.flareZ, 23) {
			for _, e := range []struct {
				name string
				tube *tube
				at   geom.PointMM
				sign float64
			}{{"outer positive", &l.femur.outer, q.outerPos, 1}, {"outer negative", &l.femur.outer, q.outerNeg, -1},
				{"inner positive", &l.femur.inner, q.innerPos, 1}, {"inner negative", &l.femur.inner, q.innerNeg, -1}} {
				const off = 0.03 // mm on the detector
				length := func(by float64) float64 {
					o, d := st.Beam.ray(&l.place, e.at.Add(q.positive.Mul(by*e.sign)))
					return march(e.tube, o, d, near-90, near+90)
				}
				if out := length(off); out > 0 {
					t.Errorf("%s level %d: %s edge: %.2f mm of bone outside of it", group, i, e.name, out)
				}
				if in := length(-off); in == 0 {
					t.Errorf("%s level %d: %s edge: no bone inside of it", group, i, e.name)
				}
			}
		}
	}
}

// Every group gives a film with truth whose values lie within what its ranges
// allow.
func TestTruthOfGroups(t *testing.T) {
	for i, name := range Groups() {
		s := Draw(rand.New(rand.NewPCG(21, uint64(i))), name)
		st := s.stage()
		tr := st.truth(s.Plate.grid())
		if name == NegativeGroup {
			if len(tr.Femurs) > 0 || tr.Content == "" {
				t.Errorf("%s: %d femurs, content %q", name, len(tr.Femurs), tr.Content)
			}
			continue
		}
		if len(tr.Femurs) == 0 {
			t.Errorf("%s: no femur", name)
			continue
		}
		f := tr.Femurs[0]
		if f.Side != s.Legs[0].Anatomy.Side {
			t.Errorf("%s: side %q", name, f.Side)
		}
		within := func(q measure.Quantity, lo, hi float64) {
			if v, ok := f.Values[q]; ok && (v < lo || v > hi) {
				t.Errorf("%s: %s = %.3f, not in %g … %g", name, q, v, lo, hi)
			}
		}
		within(measure.BowCurvature, -2.5, 3)
		within(measure.IsthmusCorticalIndex, 0.15, 0.9)
		within(measure.NeckShaftAngle, 95, 165)
		within(measure.AnatomicLateralDistal, 68, 95)
		within(measure.HeadDiameter, 30, 80)
		if len(f.Values) == 0 != f.Broken {
			t.Errorf("%s: no values", name)
		}
	}
}
