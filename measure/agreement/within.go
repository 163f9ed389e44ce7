package agreement

import "math"

// WithinSubject returns the standard deviation of repeated readings of one
// subject: the root of the mean of the subjects' own variances, each weighted by
// its degrees of freedom. A subject with one reading does not count (BA86).
func WithinSubject(repeats [][]float64) (float64, error) {
	sum, df := 0.0, 0.0
	for _, v := range repeats {
		if len(v) < 2 {
			continue
		}
		_, variance := moments(v)
		if math.IsNaN(variance) {
			return 0, ErrUnequal
		}
		sum += variance * float64(len(v)-1)
		df += float64(len(v) - 1)
	}
	if df == 0 {
		return 0, ErrTooFew
	}
	return math.Sqrt(sum / df), nil
}
