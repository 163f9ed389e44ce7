package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Contrast made alike: nothing is left of an even picture, and what multiplies a
// picture's contrast or shifts it leaves the rest as it is. A board of fields ±c has
// the mean 0 and the spread c over any even number of them: ±c/(c + alikeFloor)
// (closed form).
func TestAlikeForgetsContrast(t *testing.T) {
	const rows, cols = 60, 80
	v := make([]float32, rows*cols)
	for i := range v {
		v[i] = 0.7
	}
	for i, u := range alike(v, rows, cols) {
		if math.Abs(float64(u)) > 1e-5 {
			t.Fatalf("even picture: %g at %d", u, i)
		}
	}
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range v {
		v[i] = float32(100 * rng.NormFloat64()) // the floor is nothing beside it
	}
	want := alike(v, rows, cols)
	for i := range v {
		v[i] = 3*v[i] - 500
	}
	for i, u := range alike(v, rows, cols) {
		if math.Abs(float64(u-want[i])) > 2e-3 {
			t.Fatalf("three times the contrast: %g at %d, want %g", u, i, want[i])
		}
	}
	for _, c := range []float64{0.02, 0.1, 0.5} {
		for i := range v {
			v[i] = float32(c * float64(1-2*((i/cols+i%cols)%2)))
		}
		n := 2*alikeReach + 1
		i := rows/2*cols + cols/2
		mean := c / float64(n*n) * float64(1-2*((i/cols+i%cols)%2)) // an odd number of fields: one is left over
		want := (float64(v[i]) - mean) / (math.Sqrt(c*c-mean*mean) + alikeFloor)
		if got := float64(alike(v, rows, cols)[i]); math.Abs(got-want) > 1e-4 {
			t.Errorf("board of ±%g: %g, want %g", c, got, want)
		}
	}
}
