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
