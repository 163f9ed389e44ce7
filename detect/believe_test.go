package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// TestSurer: evidence of so many to one multiplies the odds (Bayes' rule).
func TestSurer(t *testing.T) {
	for _, c := range [][3]float64{{0.5, 10, 10. / 11}, {0.9, 2, 18. / 19}, {1, 2, 1}} {
		if got := surer(c[0], c[1]); math.Abs(got-c[2]) > 1e-12 {
			t.Errorf("%g at %g to 1: %g, want %g", c[0], c[1], got, c[2])
		}
	}
}

// A head with a neck proves a femur by how far it lies from the shaft's line, not by its
// own size: of a femur 43.0 mm on average, 23.6 at least (Noble 1988, Clin Orthop 235);
// of a humerus, whose head is as large, 6.9 and 10.8 at most (Boileau and Walch 1997, J
// Bone Joint Surg Br 79).
func TestHeadBesideTheShaft(t *testing.T) {
	sp := geom.Spacing{Y: 0.2, X: 0.2}
	line := newMidline([]geom.PointMM{{X: 100, Y: 100}, {X: 100, Y: 300}}, levelStep)
	for _, c := range []struct {
		name          string
		aside, width  float64
		femur, facing bool
	}{
		{"femur", 43, 30, true, true}, {"femur of little offset", 23.6, 28, true, true},
		{"humerus", 6.9, 22, false, false}, {"humerus of most offset", 10.8, 22, false, false},
	} {
		f := Femur{Found: 0.5, FrontalView: 0.5, LateralClockwise: 0.1, ProximalFirst: 0.9, Width: c.width,
			LesserTrochanter: &Landmark{P: sp.Px(geom.PointMM{X: 110, Y: 105})},
			HeadCircle:       &Circle{C: sp.Px(geom.PointMM{X: 100 + c.aside, Y: 50}), R: 24}, Neck: &Landmark{}}
		(&shaftTrace{m: line}).believe(&f, sp)
		if femur := f.Found > 0.9; femur != c.femur {
			t.Errorf("%s: found %.2f", c.name, f.Found)
		}
		if facing := f.LateralClockwise < 0.01 && f.FrontalView > 0.99; facing != c.facing {
			t.Errorf("%s: frontal %.2f, lateral clockwise %.3f", c.name, f.FrontalView, f.LateralClockwise)
		}
	}
}
