package accuracy

import (
	"fmt"
	"math"

	"shaftgauge/measure/agreement"
)

// Rate is a part of a whole, both counted.
type Rate struct {
	Part  int `json:"part"`
	Whole int `json:"whole"`
}

// count adds one to the whole, and to the part if it belongs there.
func (r *Rate) count(in bool) {
	r.Whole++
	if in {
		r.Part++
	}
}

// String writes the part in per cent and the counts.
func (r Rate) String() string { return percent(r.Part, r.Whole) }

// Share returns the part over the whole, NaN for none.
func (r Rate) Share() float64 {
	if r.Whole == 0 {
		return math.NaN()
	}
	return float64(r.Part) / float64(r.Whole)
}

// Wilson returns the two-sided 95 % score interval of the share, 0 and 1 for
// none. It takes the counts for independent: values of one film are not quite.
func (r Rate) Wilson() (low, high float64) {
	p, err := agreement.Wilson(r.Part, r.Whole)
	if err != nil {
		return 0, 1
	}
	return p.CI.Low, p.CI.High
}

// interval writes the counts with their Wilson interval in per cent.
func (r Rate) interval() string {
	if r.Whole == 0 {
		return "none"
	}
	low, high := r.Wilson()
	return fmt.Sprintf("%s, %.1f to %.1f", r, 100*low, 100*high)
}

// leastCovered and mostCovered bound the share of truths that a u95 shall hold.
const (
	leastCovered = 0.90
	mostCovered  = 0.98
)

// Coverage says what counts tell of a u95 that shall hold 90 to 98 % of the truths.
type Coverage string

// The judgements of a coverage.
const (
	CoverageGood Coverage = "ok"   // the share is within the limits
	CoverageOpen Coverage = "open" // it is not, but the counts do not exclude that it is by chance
	CoverageLow  Coverage = "LOW"  // the counts exclude 90 % and more
	CoverageHigh Coverage = "HIGH" // the counts exclude 98 % and less
	CoverageNone Coverage = "-"
)

// coverage judges a share of truths covered.
func coverage(r Rate) Coverage {
	low, high := r.Wilson()
	p := r.Share()
	switch {
	case r.Whole == 0:
		return CoverageNone
	case p >= leastCovered && p <= mostCovered:
		return CoverageGood
	case high < leastCovered:
		return CoverageLow
	case low > mostCovered:
		return CoverageHigh
	}
	return CoverageOpen
}
