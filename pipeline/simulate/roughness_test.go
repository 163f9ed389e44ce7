package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The mean square of a cubic B-spline's weights over a node's width is 151/315, its
// autocorrelation at 0 (de Boor, A Practical Guide to Splines).
func TestNoiseSheetSpread(t *testing.T) {
	sum := 0.0
	const n = 1000
	for i := range n {
		for _, w := range spline((float64(i) + 0.5) / n) {
			sum += w * w / n
		}
	}
	if abs(sum-151.0/315) > 1e-6 {
		t.Errorf("mean square of the weights %v, want %v", sum, 151.0/315)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, cols := range []int{1, 5, 24} {
		s := newNoiseSheet(rng, 4000, cols)
		mean, square := 0.0, 0.0
		const m = 20000
		for i := range m {
			v := s.at(float64(i)*0.19, float64(i)*0.0317)
			mean += v / m
			square += v * v / m
		}
		if sd := math.Sqrt(square - mean*mean); abs(sd-1) > 0.05 || abs(mean) > 0.1 {
			t.Errorf("%d around: mean %.3f, standard deviation %.3f, want 0 and 1", cols, mean, sd)
		}
		for _, x := range []float64{0, 0.3, 0.97} {
			if a, b := s.at(7.3, x), s.at(7.3, x+1); abs(a-b) > 1e-9 {
				t.Errorf("%d around: %v a turn on is %v", cols, a, b)
			}
		}
	}
}
