package measure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure/geom"
)

// Source: computed outside the project by vectors, for a neck that makes 180° −
// NSA with the shaft's proximal direction and whose part square to the shaft is
// foreshortened; two printed decimals.
func TestProjectedNeckShaft(t *testing.T) {
	turns := []float64{0, 10, 15, 20, 30, 40, 45, 60}
	for _, row := range []struct {
		true float64
		want [8]float64
	}{
		{110, [8]float64{110.00, 110.28, 110.65, 111.17, 112.80, 115.41, 117.24, 126.05}},
		{120, [8]float64{120.00, 120.38, 120.87, 121.57, 123.69, 127.00, 129.23, 139.11}},
		{125, [8]float64{125.00, 125.41, 125.94, 126.69, 128.96, 132.43, 134.72, 144.47}},
		{130, [8]float64{130.00, 130.43, 130.98, 131.76, 134.10, 137.61, 139.88, 149.21}},
		{135, [8]float64{135.00, 135.44, 135.99, 136.78, 139.11, 142.55, 144.74, 153.43}},
		{145, [8]float64{145.00, 145.41, 145.93, 146.66, 148.77, 151.79, 153.66, 160.70}},
	} {
		for i, turn := range turns {
			near(t, "projected", ProjectedNeckShaft(degrees(row.true), degrees(turn)).Degrees(), row.want[i], 0.005+1e-9)
			near(t, "turned the other way", ProjectedNeckShaft(degrees(row.true), degrees(-turn)).Degrees(), row.want[i], 0.005+1e-9)
		}
	}
	// Source: as above, the other way round: the true angle to two decimals.
	for _, row := range []struct{ projected, turn, true float64 }{{135, 15, 134.01}, {135, 30, 130.89}, {130, 30, 126.01}} {
		near(t, "projected", ProjectedNeckShaft(degrees(row.true), degrees(row.turn)).Degrees(), row.projected, 0.006)
	}
}

// Source: vector geometry. A turn never lowers the projected angle, and the more of it the higher.
func TestTurningRaisesTheNeckShaftAngle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		nsa := rapid.Float64Range(91, 175).Draw(t, "nsa")
		turn := rapid.Float64Range(-80, 80).Draw(t, "turn")
		projected := ProjectedNeckShaft(degrees(nsa), degrees(turn))
		if projected.Degrees() < nsa-1e-9 {
			t.Errorf("projected %.6f below the true angle", projected.Degrees())
		}
		if less := ProjectedNeckShaft(degrees(nsa), degrees(turn/2)); projected < less-1e-12 {
			t.Errorf("%.6f at a turn of %.6f, less than at half of it", projected.Degrees(), turn)
		}
	})
}

// Source: computed outside the project for a coronal bow of 2° and a sagittal
// one of 10°; one printed decimal.
func TestApparentBow(t *testing.T) {
	for _, row := range []struct{ turn, want float64 }{{-20, -1.5}, {0, 2.0}, {10, 3.7}, {20, 5.3}} {
		near(t, "bow", ApparentBow(2, 10, degrees(row.turn)), row.want, 0.05+1e-9)
	}
}

// What a reader is told of it. Source: the table of neck-shaft angles above, and sin 10°.
func TestLegTurnedSentence(t *testing.T) {
	for _, want := range []string{"one of 125 degrees by 1.7 where the neck points 20 degrees", "a turn of 10 degrees adds or takes away 17 %"} {
		if got := legTurned(); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
}

// The tip's distance from the prolonged medial outline over the width, on a
// straight tube 29 mm wide whose medial edge lies 14 mm from the mid-line:
// closed form.
func TestTrochanterProfile(t *testing.T) {
	for _, sense := range []float64{1, -1} {
		f := tube(0, 290, 0.4)
		f.sense, f.tilt = sense, 0.3
		p, _, n := f.at(0)
		r := jointsOf(t, f, Joints{LesserTrochanter: &Landmark{P: p.Sub(n.Mul(14 + 5.8))}})
		near(t, "ratio", r.Values[TrochanterProfile].X, 0.2, 1e-4)
		if hasReason(r, LegTurned) {
			t.Error("a trochanter in profile gives the reason of a turned leg")
		}
		r = jointsOf(t, f, Joints{LesserTrochanter: &Landmark{P: p.Sub(n.Mul(14 - 2.9))}})
		near(t, "hidden", r.Values[TrochanterProfile].X, -0.1, 1e-4)
		if !hasReason(r, LegTurned) {
			t.Error("a hidden trochanter gives no reason")
		}
	}
}

// How the hip looks is asked before the trochanter's profile.
func TestTurnOfTheHip(t *testing.T) {
	f := tube(0, 290, 0.4)
	p, _, n := f.at(0)
	for _, row := range []struct {
		turn, profile float64 // degrees; mm that the tip stands out
		want          bool
	}{{0, 5.8, false}, {15, 5.8, true}, {-15, 5.8, true}, {5, -2.9, false}} {
		turn := degrees(row.turn)
		r := jointsOf(t, f, Joints{LesserTrochanter: &Landmark{P: p.Sub(n.Mul(geom.MM(14 + row.profile)))}, Turn: &turn})
		if hasReason(r, LegTurned) != row.want {
			t.Errorf("turn %v°, profile %v mm: turned %v", row.turn, row.profile, !row.want)
		}
	}
}

func degrees(x float64) geom.Angle { return geom.Angle(x * math.Pi / 180) }
