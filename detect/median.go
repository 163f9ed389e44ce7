package detect

// median returns the upper median of v, which it brings out of order. It selects
// and does not sort (C. A. R. Hoare, Commun. ACM 4 (1961) 321–322): long rows are
// asked for their spread hundreds of times a film.
func median(v []float64) float64 {
	k := len(v) / 2
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
