package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// TestFreeRim: rays whose outline falls by the most that counts on the circle, or 4
// mm within it, or both, on either side of a neck along +x; closed form.
func TestFreeRim(t *testing.T) {
	h := headGuess{r: 25, neck: geom.PointMM{X: 1}}
	ring := func(falls ...func(degrees float64) float64) (rays []ray) {
		for i := range headRays {
			a := 2 * math.Pi * float64(i) / headRays
			q := ray{dir: geom.PointMM{X: math.Cos(a), Y: math.Sin(a)}, slope: make([]float64, int(2*headReach/headDR)+1)}
			degrees := math.Remainder(a, 2*math.Pi) * 180 / math.Pi
			for _, fall := range falls {
				q.slope[int((headReach+fall(degrees))/headDR+0.5)] = slopeCap
			}
			rays = append(rays, q)
		}
		return rays
	}
	on := func(float64) float64 { return 0 }
	within := func(float64) float64 { return -4 }
	aside := func(d float64) float64 { return min(0, -4*math.Copysign(1, d)) } // within on one side, on the circle on the other
	outside := func(d float64) float64 {
		if math.Abs(d) > 90 {
			return 4
		}
		return 0
	}
	type falls = []func(degrees float64) float64
	for _, c := range []struct {
		name  string
		falls falls
		want  float64
	}{
		{"the head's own circle", falls{on}, 0},
		{"a roof's circle", falls{within}, slopeCap},
		{"a roof's circle that meets the head's on one side", falls{within, aside}, slopeCap},
		{"the head's, the neck beginning early on one side", falls{aside}, slopeCap},
		{"the head's, a line of the socket within", falls{within, on}, 0},
		{"the head's, a socket outside", falls{outside}, 0},
	} {
		if got := h.freeRim(ring(c.falls...), circleShift{}); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %.2f, want %.2f", c.name, got, c.want)
		}
	}
}
