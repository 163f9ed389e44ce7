package agreement

import "math"

// Limits are the limits of agreement of two methods, in the unit of the
// readings.
type Limits struct {
	N                        int
	Bias, SD                 float64 // of the differences
	Lower, Upper             float64 // bias ± 1.96 SD
	BiasCI, LowerCI, UpperCI Interval
	Slope                    float64 // of difference on mean: a bias that grows with size
	SlopeCI                  Interval
	CorrelationWithMean      float64
}

// BlandAltman returns the limits of agreement of x less y, at least three pairs.
// The standard error of a limit is √(3 SD²/n) (BA86).
func BlandAltman(x, y []float64) (Limits, error) {
	if err := paired(x, y, 3); err != nil {
		return Limits{}, err
	}
	n := float64(len(x))
	d, m := make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		d[i], m[i] = x[i]-y[i], (x[i]+y[i])/2
	}
	bias, variance := moments(d)
	sd := math.Sqrt(variance)
	l := Limits{N: len(x), Bias: bias, SD: sd, Lower: bias - normal975*sd, Upper: bias + normal975*sd}
	l.BiasCI = around(bias, sd/math.Sqrt(n), n-1)
	se := math.Sqrt(3 * variance / n)
	l.LowerCI, l.UpperCI = around(l.Lower, se, n-1), around(l.Upper, se, n-1)
	if _, vm := moments(m); vm > 0 {
		c := covariance(m, d)
		l.Slope = c / vm
		residual := math.Max(0, (variance-c*c/vm)*(n-1)/(n-2))
		l.SlopeCI = around(l.Slope, math.Sqrt(residual/(vm*(n-1))), n-2)
		if variance > 0 {
			l.CorrelationWithMean = c / math.Sqrt(vm*variance)
		}
	}
	return l, nil
}
