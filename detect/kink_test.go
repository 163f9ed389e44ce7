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

// Where parts are displaced, both edges are; a bump stands out of one.
func TestKinkIsShared(t *testing.T) {
	const width = 28
	edges := func(moved func(s float64) float64) (a, b, mid []geom.PointMM, half []float64) {
		for k := range 80 {
			s := float64(k-40)*2 + 1
			y := s * s / (2 * 900)
			a = append(a, geom.PointMM{X: 100 + y + width/2 + moved(s), Y: 120 + s})
			b = append(b, geom.PointMM{X: 100 + y - width/2, Y: 120 + s})
			mid = append(mid, a[k].Add(b[k]).Mul(0.5))
			half = append(half, a[k].Sub(b[k]).Norm()/2)
		}
		return a, b, mid, half
	}
	// A beak 5 mm high, its flanks of one slope.
	a, b, mid, half := edges(func(s float64) float64 { return math.Max(0, 5-0.25*math.Abs(s)) })
	q, _ := newKink(mid, half, 40, 2)
	ka, _ := newKink(a, half, 40, 2)
	kb, _ := newKink(b, half, 40, 2)
	if !q.parts() {
		t.Errorf("a beak that the mid-line does not show: %+v", q)
	}
	if q.sharedBy(ka) && q.sharedBy(kb) {
		t.Errorf("a bump of one edge is shared: %+v, %+v", ka, kb)
	}
	for _, c := range []struct{ angle, step float64 }{{8, 0}, {0, 4}, {-10, 5}} {
		mid, half := bentLine(c.angle, c.step, 0, rand.New(rand.NewPCG(1, 3)))
		q, _ := newKink(mid, half, 40, 2)
		for _, side := range []float64{-width / 2, width / 2} {
			edge := make([]geom.PointMM, len(mid))
			for k := range mid {
				edge[k] = mid[k].Add(geom.PointMM{X: side})
			}
			if e, _ := newKink(edge, half, 40, 2); !q.parts() || !q.sharedBy(e) {
				t.Errorf("%+v: not shared: %+v", c, e)
			}
		}
	}
}
