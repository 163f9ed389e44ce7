package simulate

import (
	"math/rand/v2"
	"testing"
)

// metalOf draws an AP film of a femur with an implant, unturned, and returns the
// truth of its metal and how long the femur is.
func metalOf(t *testing.T, kind Implant, metal ...Metal) (*FemurTruth, float64) {
	t.Helper()
	s := Draw(rand.New(rand.NewPCG(3, 9)), "ap_full")
	s.Legs[0].Implant, s.Legs[0].Pose.Turn, s.Metal, s.Marks = kind, 0, metal, nil
	s.Facts.PixelSpacing, s.Facts.CalibrationType = s.Plate.Spacing, "GEOMETRY"
	truth := s.stage().truth(s.Plate.grid())
	if len(truth.Femurs) == 0 {
		t.Fatal("no femur on the film")
	}
	return &truth.Femurs[0], s.Legs[0].Anatomy.Length
}

// By the implants' drawings: a plate lies on the lateral side over 0.2 to
// 0.65 of the length with screws through both sides; a nail fills the canal and touches no
// outer edge half way down.
func TestMetalTruth(t *testing.T) {
	if f, _ := metalOf(t, ""); f.Metal != nil {
		t.Errorf("metal %+v on a film without any", f.Metal)
	}
	at := func(f *FemurTruth, name string, level float64) bool {
		for _, s := range f.Metal.Near[name] {
			if level >= s[0] && level <= s[1] {
				return true
			}
		}
		return false
	}
	plate, length := metalOf(t, PlateImplant)
	spans := plate.Metal.Near["outer_lateral"]
	if !plate.Metal.Shown || len(spans) != 1 {
		t.Fatalf("plate: shown %v, beside the lateral edge %v", plate.Metal.Shown, spans)
	}
	if got := (spans[0][1] - spans[0][0]) / length; got < 0.2 || got > 0.8 {
		t.Errorf("plate over %.2f of the length", got)
	}
	if n := len(plate.Metal.Near["outer_medial"]); n < 1 { // the ends of screws
		t.Errorf("plate: %d places beside the medial edge", n)
	}
	nail, _ := metalOf(t, Nail)
	middle := 0.45 * (nail.DiaphysisFrom + nail.DiaphysisTo)
	for name, want := range map[string]bool{"inner_lateral": true, "inner_medial": true, "outer_lateral": false, "outer_medial": false} {
		if got := at(nail, name, middle); got != want {
			t.Errorf("nail at %.0f mm: beside %s %v, want %v", middle, name, got, want)
		}
	}
}

// A clip laid over the lateral edge of one film touches it there and nowhere
// else; one far away touches nothing.
func TestLooseMetalTruth(t *testing.T) {
	bare, _ := metalOf(t, "")
	s := Draw(rand.New(rand.NewPCG(3, 9)), "ap_full")
	g := s.Plate.grid()
	edge := bare.Contours["outer_lateral"]
	p := edge[len(edge)/2]
	place := g.place(p.X, p.Y)
	f, _ := metalOf(t, "", Metal{A: place, B: place, Radius: 0.6, Mean: 1})
	spans := f.Metal.Near["outer_lateral"]
	if f.Metal.Shown || !f.Metal.Loose || len(spans) != 1 || spans[0][1]-spans[0][0] > 2*(2*nearMetal+1.2*f.BoneMagnified) || len(f.Metal.Near["outer_medial"]) > 0 {
		t.Errorf("clip: %+v", f.Metal)
	}
	place.X += 1000
	if f, _ := metalOf(t, "", Metal{A: place, B: place, Radius: 0.6, Mean: 1}); f.Metal != nil {
		t.Errorf("clip beside the film: %+v", f.Metal)
	}
}
