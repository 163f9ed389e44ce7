package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// TestFreeRim: rays whose outline falls on the circle, or 4 mm within it, on
// either side of a neck along +x; closed form.
func TestFreeRim(t *testing.T) {
	h := headGuess{r: 25, neck: geom.PointMM{X: 1}}
	ring := func(fall func(degrees float64) float64) (rays []ray) {
		for i := range headRays {
			a := 2 * math.Pi * float64(i) / headRays
			q := ray{dir: geom.PointMM{X: math.Cos(a), Y: math.Sin(a)}, slope: make([]float64, int(2*headReach/headDR)+1)}
			degrees := math.Remainder(a, 2*math.Pi) * 180 / math.Pi
			q.slope[int((headReach+fall(degrees))/headDR+0.5)] = slopeCap
			rays = append(rays, q)
		}
		return rays
	}
	for _, c := range []struct {
		name         string
		fall         func(float64) float64
		head, socket bool
	}{
		{"the head's own circle", func(float64) float64 { return 0 }, true, false},
		{"a roof's circle", func(float64) float64 { return -4 }, false, true},
		{"a roof's on one side", func(d float64) float64 { return min(0, -4*math.Copysign(1, d)) }, false, true},
		{"the head's, a socket outside", func(d float64) float64 {
			if math.Abs(d) > 90 {
				return 4
			}
			return 0
		}, true, false},
	} {
		f := h.freeRim(ring(c.fall), circleShift{})
		if f.ofHead() != c.head || f.ofSocket() != c.socket {
			t.Errorf("%s: of head %v, of socket %v; want %v, %v", c.name, f.ofHead(), f.ofSocket(), c.head, c.socket)
		}
	}
}
