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

// rankedEnds returns the value of v that has so many below it and the one that has
// so many above it, and brings v out of order.
func rankedEnds(v []float64, cut int) (lo, hi float64) {
	lo = ranked(v, cut)
	if above := v[cut+1:]; len(above) > cut {
		return lo, ranked(above, len(above)-1-cut)
	}
	return lo, lo
}

// medians returns the running upper medians of v over reach places on either side;
// NaN where v has no more than reach of them.
func medians(v []float64, reach int) []float64 {
	medians := make([]float64, len(v))
	near := make([]float64, 0, 2*reach+2) // in order
	place := func(x float64) int {
		at, _ := slices.BinarySearch(near, x)
		return at
	}
	for j := -reach; j < len(v); j++ {
		in, out := j+reach, j-reach-1
		comes, goes := in < len(v) && v[in] == v[in], out >= 0 && v[out] == v[out]
		switch {
		case comes && goes:
			replace(near, place(v[out]), v[in])
		case comes:
			near = slices.Insert(near, place(v[in]), v[in])
		case goes:
			at := place(v[out])
			near = slices.Delete(near, at, at+1)
		}
		if j < 0 {
			continue
		}
		medians[j] = math.NaN()
		if len(near) > reach {
			medians[j] = near[len(near)/2]
		}
	}
	return medians
}

// replace puts x in place of the value at i of v, which is in order and stays so.
func replace(v []float64, i int, x float64) {
	for ; i > 0 && v[i-1] > x; i-- {
		v[i] = v[i-1]
	}
	for ; i+1 < len(v) && v[i+1] < x; i++ {
		v[i] = v[i+1]
	}
	v[i] = x
}
