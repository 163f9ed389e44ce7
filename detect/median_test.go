package detect

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestMedianIsThatOfSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-9, 9), 1, 60).Draw(t, "v")
		for i := range v { // many alike
			v[i] = math.Round(v[i])
		}
		sorted := slices.Sorted(slices.Values(v))
		if got := median(v); got != sorted[len(sorted)/2] {
			t.Fatalf("median of %v is %v", sorted, got)
		}
	})
}

func TestMediansAreThoseOfSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-9, 9), 1, 40).Draw(t, "v")
		reach := rapid.IntRange(0, 6).Draw(t, "reach")
		for i := range v { // many alike, some unknown
			if v[i] = math.Round(v[i]); v[i] > 6 {
				v[i] = math.NaN()
			}
		}
		for k, got := range medians(v, reach) {
			near := slices.Clone(v[max(0, k-reach):min(len(v), k+reach+1)])
			near = slices.DeleteFunc(near, math.IsNaN)
			slices.Sort(near)
			if known := len(near) > reach; known != !math.IsNaN(got) || known && got != near[len(near)/2] {
				t.Fatalf("median of %v is %v", near, got)
			}
		}
	})
}

// A line of places is as good as its places one by one, on the film and beyond it.
func TestAddLineIsItsPlaces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := &plane{rows: 7, cols: 9, k: float64(rapid.IntRange(1, 3).Draw(t, "k"))}
		for range g.rows * g.cols {
			g.pix = append(g.pix, rapid.Uint16().Draw(t, "pixel"))
		}
		x, y := rapid.Float64Range(-2, 20).Draw(t, "x"), rapid.Float64Range(-2, 20).Draw(t, "y")
		dx, dy := rapid.Float64Range(-2, 2).Draw(t, "dx"), rapid.Float64Range(-2, 2).Draw(t, "dy")
		sum := make([]float64, 8)
		g.addLine(sum, x, y, dx, dy)
		for j, got := range sum {
			u, v := x+float64(j)*dx, y+float64(j)*dy
			want, on := g.at(u, v)
			for _, e := range []float64{-1e-6, 1e-6} {
				for _, f := range []float64{-1e-6, 1e-6} {
					if _, there := g.at(u+e, v+f); there != on {
						return // at the border rounding decides
					}
				}
			}
			if on && !(math.Abs(got-want) < 1e-6) || !on && !math.IsNaN(got) {
				t.Fatalf("place %d: %g, want %g, on the film: %v", j, got, want, on)
			}
		}
	})
}
