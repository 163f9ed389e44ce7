package detect

import (
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// drawn returns the femurs found on a film of the group, with the metal or the
// break given put into its first leg.
func drawn(t *testing.T, group string, seed uint64, metal simulate.Implant, broken *simulate.Break) []Femur {
	t.Helper()
	scene := simulate.Draw(rand.New(rand.NewPCG(seed, 7)), group)
	scene.Legs[0].Implant, scene.Legs[0].Break = metal, broken
	scene.Plate.Spacing = geom.Spacing{Y: 0.25, X: 0.25} // quicker to draw
	found, err := Femurs(asShown(scene.Render()))
	if err != nil {
		t.Fatal(err)
	}
	if len(found) == 0 {
		t.Fatal("no femur found")
	}
	return found
}

// The metal drawn into a simulated film is named, on a film of the whole femur;
// without it the same film has none.
func TestMetalIsNamed(t *testing.T) {
	for _, c := range []struct {
		group string
		metal simulate.Implant
		want  string
	}{
		{"ap_long", "", ImplantNone},
		{"ap_long", simulate.Nail, ImplantIntramedullary},
		{"ap_full", simulate.Stem, ImplantStem},
		{"ap_long", simulate.PlateImplant, ImplantPlate},
		{"ap_long", simulate.HipScrew, ImplantPlate},
		{"ap_long", simulate.CerclageWires, ImplantOther},
		{"lat_long", "", ImplantNone},
		{"lat_long", simulate.RetrogradeNail, ImplantIntramedullary},
		{"lat_long", simulate.PlateImplant, ImplantPlate},
	} {
		t.Run(c.group+" "+string(c.metal), func(t *testing.T) {
			f := drawn(t, c.group, 2, c.metal, nil)[0]
			if f.Implant != c.want {
				t.Errorf("implant %q, want %q", f.Implant, c.want)
			}
			if c.want == ImplantNone && f.MetalOverInner > 0.02 {
				t.Errorf("metal hides %.2f of the inner edges", f.MetalOverInner)
			}
		})
	}
}

// Where a nail fills the canal there is no inner edge.
func TestNoInnerEdgeBesideNail(t *testing.T) {
	plain, nailed := drawn(t, "ap_long", 2, "", nil)[0], drawn(t, "ap_long", 2, simulate.Nail, nil)[0]
	if n := len(plain.InnerClockwise.P); n < 50 {
		t.Fatalf("%d levels of inner edge without metal", n)
	}
	if n, m := len(nailed.InnerClockwise.P)+len(nailed.InnerCounter.P), len(plain.InnerClockwise.P); n > m/10 {
		t.Errorf("%d levels of inner edges beside a nail, of %d", n, m)
	}
}

// A displaced break is no shaft; an unbroken one with all its bow is.
func TestBrokenShaft(t *testing.T) {
	for _, c := range []struct {
		name   string
		broken *simulate.Break
	}{
		{"whole", nil},
		{"shifted", &simulate.Break{Z: 130, Shift: [3]float64{14, 0, 0}}},
		{"angled", &simulate.Break{Z: 130, Shift: [3]float64{8, 0, 0}, Angle: 15}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, f := range drawn(t, "ap_long", 2, "", c.broken) {
				if f.Discontinuous != (c.broken != nil) {
					t.Errorf("discontinuous: %t", f.Discontinuous)
				}
			}
		})
	}
}
