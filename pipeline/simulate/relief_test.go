package simulate

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure"
)

// Every shape is half as high at both ends of its full width at half height, a
// beak's rounded tip aside.
func TestBumpWidth(t *testing.T) {
	for _, shape := range []Shape{Bell, Beak, Plateau} {
		b := Bump{Level: 100, Height: 2, Length: 20, Shape: shape}
		for _, z := range []float64{90, 110} {
			if h := b.at(z); math.Abs(h-1) > 0.04 {
				t.Errorf("shape %d: %.3f at half its width, want 1", shape, h)
			}
		}
		if h := b.at(100); math.Abs(h-2) > 0.01 {
			t.Errorf("shape %d: peak %.3f, want 2", shape, h)
		}
		b.Skew = 0.5
		if b.at(90) < b.at(110) {
			t.Errorf("shape %d: the longer flank of a positive skew is not proximal", shape)
		}
	}
}

// The truth of a thickening is read off the projected silhouettes: by
// similar triangles what was put in, times the bone's magnification.
func TestFocalTruth(t *testing.T) {
	s := Draw(rand.New(rand.NewPCG(31, 4)), "thickening")
	leg := &s.Legs[0]
	leg.Anatomy.Focal = []Focal{{Bump: Bump{Level: 120, Height: 2, Length: 16}, Outer: 1, LineWidth: 0.6, LineDepth: 0.5, LineBone: 1}}
	leg.Anatomy.Square, leg.Anatomy.Lobe, leg.Pose.Turn, leg.Pose.Tilt, leg.Anatomy.CoronalBow = 0, 0, 0, 0, 0
	st := s.stage()
	f := st.truth(s.Plate.grid()).Femurs[0]
	if len(f.Focal) != 1 {
		t.Fatalf("%d thickenings in the truth, want 1", len(f.Focal))
	}
	got := f.Focal[0]
	m := f.BoneMagnified
	if s.Facts.MagnificationFactor > 0 || f.Values[measure.HeadDiameter] > 0 {
		m = got.LineWidthMM / 0.6 // the film's scale undoes a part of the magnification
	}
	if r := got.HeightMM / (2 * m); r < 0.97 || r > 1.03 {
		t.Errorf("height %.3f mm, want %.3f", got.HeightMM, 2*m)
	}
	if r := got.LengthMM / (16 * m); r < 0.95 || r > 1.05 {
		t.Errorf("length %.2f mm, want %.2f", got.LengthMM, 16*m)
	}
	if math.Abs(got.OuterFraction-1) > 0.02 {
		t.Errorf("outer fraction %.3f, want 1", got.OuterFraction)
	}
	if math.Abs(got.LineAngleDeg) > 1.5 {
		t.Errorf("tilt of a line square to a straight shaft %.2f, want 0", got.LineAngleDeg)
	}
}

// Films of confounders have no focal thickening, and say what they have instead.
func TestConfoundersHaveNone(t *testing.T) {
	kinds := map[string]int{}
	for i := range uint64(12) {
		s := Draw(rand.New(rand.NewPCG(9, i)), "confounders")
		for _, f := range s.stage().truth(s.Plate.grid()).Femurs {
			if len(f.Focal) > 0 {
				t.Errorf("film %d has a focal thickening", i)
			}
			for _, c := range f.Confounders {
				kinds[c.Kind]++
			}
		}
	}
	for _, k := range []string{"gluteal_ridge", "callus", "nutrient_canal"} {
		if kinds[k] == 0 {
			t.Errorf("no %s on 12 films: %v", k, kinds)
		}
	}
}
