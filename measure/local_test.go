package measure

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// A local fit returns any polynomial of its degree, slope included, wherever
// the data lie. Source: definition of least squares.
func TestLocalFitReproducesPolynomials(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		degree := rapid.IntRange(1, 2).Draw(t, "degree")
		c := [3]float64{}
		for i := range degree + 1 {
			c[i] = rapid.Float64Range(-2, 2).Draw(t, "coefficient")
		}
		var x, y []float64
		for v := 0.0; v < 40; v++ {
			x = append(x, v)
			if rapid.IntRange(0, 4).Draw(t, "gap") == 0 {
				y = append(y, math.NaN())
			} else {
				y = append(y, c[0]+c[1]*v+c[2]*v*v)
			}
		}
		at := rapid.Float64Range(0, 39).Draw(t, "at")
		fit, ok := localFit(x, y, at, 10, degree)
		if !ok {
			return
		}
		value, slope := fit.apply(y)
		if math.Abs(value-(c[0]+c[1]*at+c[2]*at*at)) > 1e-6 || math.Abs(slope-(c[1]+2*c[2]*at)) > 1e-6 {
			t.Fatalf("at %g: value %g slope %g of %v", at, value, slope, c)
		}
	})
}

func TestLocalFitNeedsPoints(t *testing.T) {
	nan := math.NaN()
	if _, ok := localFit([]float64{0, 1, 2, 3}, []float64{1, nan, nan, 2}, 1, 5, 1); ok {
		t.Error("a line through two points has no residual to spare")
	}
	if _, ok := localFit([]float64{0, 1, 2, 3}, []float64{1, 1, 1, 2}, 9, 2, 1); ok {
		t.Error("fitted outside the data")
	}
}
