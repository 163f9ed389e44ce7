package detect

import (
	"math"
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
		{"ap_long", simulate.KneeImplant, ImplantOther},
		{"lat_long", "", ImplantNone},
		{"lat_long", simulate.RetrogradeNail, ImplantIntramedullary},
		{"lat_long", simulate.PlateImplant, ImplantPlate},
	} {
		t.Run(c.group+" "+string(c.metal), func(t *testing.T) {
			f := drawn(t, c.group, 2, c.metal, nil)[0]
			if f.Implant != c.want {
				t.Errorf("implant %q, want %q", f.Implant, c.want)
			}
			if c.want == ImplantNone && f.MetalOverInner > 0.03 { // a letter lies beside the bone
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

// A ball's shadow is bright all over, by the chords of a sphere; a letter as wide
// is not, whatever lies below the two.
func TestBallIsSolid(t *testing.T) {
	const middle, radius = 80.0, 7.0
	ball := func(x, y float64) float64 { return math.Sqrt(math.Max(0, radius*radius-x*x-y*y)) / radius }
	ring := func(x, y float64) float64 {
		if d := math.Hypot(x, y); d > radius-2 && d < radius {
			return 1
		}
		return 0
	}
	bars := func(x, y float64) float64 {
		if math.Hypot(x, y) < radius && math.Mod(y+50, 5) < 2 {
			return 1
		}
		return 0
	}
	for _, c := range []struct {
		name   string
		shadow func(x, y float64) float64
		want   bool
	}{
		{"ball", ball, true}, {"O", ring, false}, {"E", bars, false},
	} {
		for _, bone := range []float64{0, 0.3} {
			st := &strip{rows: 160, cols: metalCols + 1, dn: metalPitch}
			for k := range st.rows {
				for j := range st.cols {
					v := 1000 * c.shadow(float64(j)-middle, float64(k)-middle)
					if math.Abs(float64(j)-middle) < 12 {
						v += 1000 * bone
					}
					st.v = append(st.v, v)
				}
			}
			if got := (&metalView{strip: st}).solid(middle, middle, radius); got != c.want {
				t.Errorf("%s over bone of %g: solid %t", c.name, bone, got)
			}
		}
	}
}

// Metal that is no plate, nail or stem is the bone's only where it lies over it: screws
// and wires go through or round a bone, a ruler or a clip lies on skin or table
// (common practice, no source).
func TestMetalBesideBone(t *testing.T) {
	sums := func(kind int) (sum [metalClasses]float64) {
		sum[kind] = 30
		return sum
	}
	for _, c := range []struct {
		kind, near, over int
		want             string
	}{
		{metalOther, 40, 0, ImplantNone}, // a ruler beside the shaft
		{metalOther, 40, 20, ImplantOther},
		{metalPlate, 40, 0, ImplantPlate}, // a plate lies against the bone
		{metalPlate, metalLeast - 1, 0, ImplantNone},
	} {
		if got := kindOf(sums(c.kind), c.near, c.over); got != c.want {
			t.Errorf("kind %d, %d places, %d over the bone: %q, want %q", c.kind, c.near, c.over, got, c.want)
		}
	}
}
