package simulate

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// The value at a place is that of the sorted values, by the sort of the standard
// library.
func TestSelected(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 7))
	for range 300 {
		v := make([]float32, 1+rng.IntN(60))
		for i := range v {
			v[i] = float32(rng.IntN(1 + rng.IntN(30))) // many alike
		}
		want := slices.Sorted(slices.Values(v))
		k := rng.IntN(len(v))
		if got := selected(v, k); got != want[k] {
			t.Fatalf("place %d of %v: %v, want %v", k, want, got, want[k])
		}
	}
}
