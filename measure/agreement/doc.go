// Package agreement compares readings of one thing: two methods, several
// readers, or a finding against its reference.
//
// All functions are pure. Continuous readings: [BlandAltman], [IntraClass],
// [WithinSubject], [Concordance], [Deming]. Findings: [Kappa], [Wilson],
// [Area], [Workload]. Intervals are two-sided 95 % confidence intervals.
//
// # Sources
//
// BA86: Bland, Altman, Lancet 327 (1986) 307–310.
// SF79: Shrout, Fleiss, Psychol. Bull. 86 (1979) 420–428.
// MW96: McGraw, Wong, Psychol. Methods 1 (1996) 30–46.
// L89: Lin, Biometrics 45 (1989) 255–268; corrected 56 (2000) 324–325.
// L90: Linnet, Stat. Med. 9 (1990) 1463–1473.
// C60: Cohen, Educ. Psychol. Meas. 20 (1960) 37–46.
// FCE69: Fleiss, Cohen, Everitt, Psychol. Bull. 72 (1969) 323–327.
// N98: Newcombe, Stat. Med. 17 (1998) 857–872.
// DDC88: DeLong, DeLong, Clarke-Pearson, Biometrics 44 (1988) 837–845.
package agreement

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Errors of this package.
var (
	ErrTooFew     = errors.New("agreement: too few readings")
	ErrUnequal    = errors.New("agreement: readings are not paired")
	ErrDegenerate = errors.New("agreement: readings do not vary")
)

// Interval is a two-sided 95 % confidence interval.
type Interval struct{ Low, High float64 }

// half the probability outside an interval, and the normal quantile beyond it.
const tail = 0.025

var normal975 = distuv.UnitNormal.Quantile(1 - tail)

// around returns x ± t·se with Student's t of df degrees of freedom.
func around(x, se, df float64) Interval {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - tail)
	return Interval{x - t*se, x + t*se}
}

// moments returns mean and variance of v with denominator n − 1.
func moments(v []float64) (mean, variance float64) {
	n := float64(len(v))
	for _, x := range v {
		mean += x / n
	}
	for _, x := range v {
		variance += (x - mean) * (x - mean) / (n - 1)
	}
	return mean, variance
}

// covariance of x and y with denominator n − 1.
func covariance(x, y []float64) float64 {
	mx, _ := moments(x)
	my, _ := moments(y)
	sum := 0.0
	for i := range x {
		sum += (x[i] - mx) * (y[i] - my)
	}
	return sum / float64(len(x)-1)
}

// paired checks that x and y are at least n pairs of finite numbers.
func paired(x, y []float64, n int) error {
	if len(x) != len(y) {
		return ErrUnequal
	}
	if len(x) < n {
		return ErrTooFew
	}
	for i := range x {
		if math.IsNaN(x[i]-x[i]) || math.IsNaN(y[i]-y[i]) {
			return ErrUnequal
		}
	}
	return nil
}
