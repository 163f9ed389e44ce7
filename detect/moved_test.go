package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// A shaft 28 mm wide along the film's long side whose mid-line has a radius of 900 mm;
// off tells by how much each edge lies beside that, noise is as a trace has.
func tracedShaft(noise float64, off func(side int, s float64) float64) *shaftTrace {
	rng := rand.New(rand.NewPCG(2, 7))
	t := &shaftTrace{}
	t.m.step = levelStep
	for k := range 100 {
		s := float64(k-50)*levelStep + 1
		t.m.p = append(t.m.p, geom.PointMM{X: 100, Y: 150 + s})
		t.m.n = append(t.m.n, geom.PointMM{X: 1})
		for i, sign := range outward {
			x := s*s/(2*900) + sign*14 + off(i, s) + noise*rng.NormFloat64()
			t.side[i] = append(t.side[i], level{outer: sign * x, contrast: 100, ok: true})
		}
	}
	return t
}

// Parts are cut along a line across the shaft and moved: by a step, by an angle, by both;
// the cut is square or slanted, so that one edge moves further down than the other.
// Whole bones have bumps on one edge, spread towards the knee, and bend smoothly.
func TestMoved(t *testing.T) {
	for _, c := range []struct{ step, angle, slant float64 }{{3, 0, 0}, {-6, 0, 40}, {0, 10, 0}, {1, -9, 30}, {-12, 15, -35}} {
		tr := tracedShaft(0.04, func(side int, s float64) float64 {
			if s < outward[side]*c.slant/2 {
				return 0
			}
			return c.step + s*math.Tan(c.angle*math.Pi/180)
		})
		if !tr.moved(0) {
			t.Errorf("%+v: not moved", c)
		}
	}
	for name, off := range map[string]func(side int, s float64) float64{
		"bow":         func(int, float64) float64 { return 0 },
		"bend of 6°":  func(_ int, s float64) float64 { return 0.105 * 20 * math.Log1p(math.Exp(s/20)) },
		"bump":        func(side int, s float64) float64 { return float64(side) * -2.5 * math.Exp(-s*s/(2*8*8)) },
		"beak":        func(side int, s float64) float64 { return float64(side) * math.Min(0, 0.2*math.Abs(s)-4) },
		"callus":      func(side int, s float64) float64 { return outward[side] * 3 * math.Exp(-s*s/(2*9*9)) },
		"to the knee": func(side int, s float64) float64 { return outward[side] * 0.002 * math.Pow(math.Max(0, s), 2) },
	} {
		if tracedShaft(0.08, off).moved(0) {
			t.Errorf("%s: moved", name)
		}
	}
}

// The step and the angle are those that the edges were made with.
func TestNewMove(t *testing.T) {
	tr := tracedShaft(0.02, func(side int, s float64) float64 {
		if s < 0 {
			return 0
		}
		return 4 + s*math.Tan(6*math.Pi/180)
	})
	near := [2][][]int{tr.around(0, 0), tr.around(1, 0)}
	m := newMove(tr.outerPoints(), [2][]int{near[0][50], near[1][50]}, [2]int{50, 50}, levelStep)
	if math.Abs(math.Abs(m.step)-4) > 0.3 || math.Abs(math.Abs(m.angle)*180/math.Pi-6) > 0.6 {
		t.Errorf("step %.2f mm, angle %.2f°", m.step, m.angle*180/math.Pi)
	}
}
