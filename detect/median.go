package detect

import (
	"math"
	"slices"
)

// median returns the upper median of v, which it brings out of order.
func median(v []float64) float64 { return ranked(v, len(v)/2) }

// ranked returns the k-th smallest of v, from 0, and brings v out of order. It
// selects and does not sort (C. A. R. Hoare, Commun. ACM 4 (1961) 321–322): long
// rows are asked hundreds of times a film.
func ranked(v []float64, k int) float64 {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}

// medians returns the running upper medians of v over reach places on either side;
// NaN where v has no more than reach of them.
func medians(v []float64, reach int) []float64 {
	out := make([]float64, len(v))
	near := make([]float64, 0, 2*reach+2) // in order
	place := func(x float64) int {
		at, _ := slices.BinarySearch(near, x)
		return at
	}
	for j := -reach; j < len(v); j++ {
		if k := j + reach; k < len(v) && v[k] == v[k] {
			near = slices.Insert(near, place(v[k]), v[k])
		}
		if k := j - reach - 1; k >= 0 && v[k] == v[k] {
			at := place(v[k])
			near = slices.Delete(near, at, at+1)
		}
		if j < 0 {
			continue
		}
		out[j] = math.NaN()
		if len(near) > reach {
			out[j] = near[len(near)/2]
		}
	}
	return out
}
