package accuracy

import (
	"math"
	"slices"
)

// quantile returns the p-quantile of sorted, p from 0 to 1, NaN for none: linear
// interpolation between order statistics with the k-th of n at (k−1)/(n−1).
//
// Source: R. J. Hyndman, Y. Fan, The American Statistician 50 (1996) 361–365,
// definition 7.
func quantile(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	h := p * float64(len(sorted)-1)
	k := int(h)
	if k+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[k] + (h-float64(k))*(sorted[k+1]-sorted[k])
}

// Spread describes a set of errors, measured less true, in the unit of their
// column. All but the counts are NaN where N is 0.
type Spread struct {
	N       int
	Bias    float64 // mean error
	Median  float64 // of the absolute error
	P95     float64 // 95th percentile of the absolute error
	Covered float64 // part of the errors that are within the row's u95, 0 to 1
	WithU95 int     // errors that came with a u95
	U95     float64 // median u95
	Worst   string  // source of the greatest absolute error
}

// rate returns the truths within the u95, of those that came with one.
func (s Spread) rate() Rate {
	if s.WithU95 == 0 {
		return Rate{}
	}
	return Rate{int(math.Round(s.Covered * float64(s.WithU95))), s.WithU95}
}

// deviation is one measured value against its truth.
type deviation struct {
	truth, err, u95 float64
	source          string
}

// spread sums up d.
func spread(d []deviation) Spread {
	s := Spread{N: len(d), Bias: math.NaN(), Median: math.NaN(), P95: math.NaN(), Covered: math.NaN(), U95: math.NaN()}
	if len(d) == 0 {
		return s
	}
	abs := make([]float64, len(d))
	var u95 []float64
	sum, covered, greatest := 0.0, 0, -1.0
	for i, e := range d {
		abs[i] = math.Abs(e.err)
		sum += e.err
		if abs[i] > greatest {
			greatest, s.Worst = abs[i], e.source
		}
		if math.IsNaN(e.u95) || e.u95 == 0 && e.err == 0 { // exact by definition: nothing to cover
			continue
		}
		u95 = append(u95, e.u95)
		if abs[i] <= e.u95 {
			covered++
		}
	}
	slices.Sort(abs)
	slices.Sort(u95)
	s.Bias = sum / float64(len(d))
	s.Median, s.P95 = quantile(abs, 0.5), quantile(abs, 0.95)
	if s.WithU95 = len(u95); s.WithU95 > 0 {
		s.U95 = quantile(u95, 0.5)
		s.Covered = float64(covered) / float64(s.WithU95)
	}
	return s
}
