package agreement

import "math"

// Proportion is x of n with Wilson's score interval.
type Proportion struct {
	X, N int
	P    float64
	CI   Interval
}

// Wilson returns x/n with the score interval without continuity correction
// (N98, method 3). n must be positive and 0 ≤ x ≤ n.
func Wilson(x, n int) (Proportion, error) {
	if n <= 0 || x < 0 || x > n {
		return Proportion{}, ErrTooFew
	}
	fn, z := float64(n), normal975
	p := float64(x) / fn
	middle := 2*fn*p + z*z
	half := z * math.Sqrt(z*z+4*fn*p*(1-p))
	scale := 2 * (fn + z*z)
	return Proportion{x, n, p, Interval{math.Max(0, (middle-half)/scale), math.Min(1, (middle+half)/scale)}}, nil
}

// Detection is a finding against its reference: true and false positives and
// negatives.
type Detection struct{ TP, FP, FN, TN int }

// Sensitivity is the part of what is there that was found.
func (d Detection) Sensitivity() (Proportion, error) { return Wilson(d.TP, d.TP+d.FN) }

// Specificity is the part of what is not there that was not found.
func (d Detection) Specificity() (Proportion, error) { return Wilson(d.TN, d.TN+d.FP) }

// Table is d as a square table for [Kappa].
func (d Detection) Table() [][]int { return [][]int{{d.TN, d.FN}, {d.FP, d.TP}} }
