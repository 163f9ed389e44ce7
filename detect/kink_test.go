package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// Mid-points every 2 mm of two arcs of 900 mm radius that meet at the
// middle with a given angle and step; noise as a trace has.
func bentLine(angle, step, noise float64, rng *rand.Rand) (mid []geom.PointMM, half []float64) {
	for k := range 80 {
		s := float64(k-40)*2 + 1
		y := s * s / (2 * 900)
		if s > 0 {
			y += step + s*math.Tan(angle*math.Pi/180)
		}
		mid = append(mid, geom.PointMM{X: 100 + y + noise*rng.NormFloat64(), Y: 120 + s})
		half = append(half, 14)
	}
	return mid, half
}

// The angle and the step are those that the line was built with; a bow alone, a
// bend spread over 30 mm and noise alone are no kink; 5° or 3 mm are.
func TestKink(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for _, c := range []struct{ angle, step float64 }{{5, 0}, {-7, 0}, {0, 3}, {5, -3}, {12, 10}} {
		mid, half := bentLine(c.angle, c.step, 0.015, rng)
		k, ok := newKink(mid, half, 40, 2)
		if !ok || math.Abs(math.Abs(k.angle)*180/math.Pi-math.Abs(c.angle)) > 0.6 || math.Abs(math.Abs(k.step)-math.Abs(c.step)) > 0.3 {
			t.Errorf("%+v: found %.2f° and %.2f mm", c, k.angle*180/math.Pi, k.step)
		}
		if !k.parts() {
			t.Errorf("%+v: no parts: %+v", c, k)
		}
	}
	for name, bend := range map[string]func(s float64) float64{
		"bow":           func(float64) float64 { return 0 },
		"bend in 30 mm": func(s float64) float64 { return 0.10 * 15 * math.Log1p(math.Exp(s/15)) },
		"bulge":         func(s float64) float64 { return 1.2 * math.Exp(-s*s/(2*8*8)) },
	} {
		mid, half := bentLine(0, 0, 0.1, rng)
		for k := range mid {
			mid[k].X += bend(float64(k-40) * 2)
		}
		for k := range mid {
			if q, ok := newKink(mid, half, k, 2); ok && q.parts() {
				t.Errorf("%s: kink at level %d: %+v", name, k, q)
			}
		}
	}
	mid, half := bentLine(8, 0, 0.015, rng)
	for k := 25; k < 80; k++ {
		half[k] = math.NaN()
	}
	if _, ok := newKink(mid, half, 40, 2); ok {
		t.Error("a kink with one side unseen")
	}
}
