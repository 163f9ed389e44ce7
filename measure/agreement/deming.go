package agreement

import "math"

// DemingLine is y = Intercept + Slope·x fitted with errors in both.
type DemingLine struct {
	Slope, Intercept     float64
	SlopeCI, InterceptCI Interval // by the jackknife (L90)
}

// Deming fits a line to at least four pairs. ratio is the variance of y's error
// over that of x's; 1 gives the orthogonal line.
func Deming(x, y []float64, ratio float64) (DemingLine, error) {
	if err := paired(x, y, 4); err != nil {
		return DemingLine{}, err
	}
	slope, intercept, ok := deming(x, y, ratio, -1)
	if !ok {
		return DemingLine{}, ErrDegenerate
	}
	l := DemingLine{Slope: slope, Intercept: intercept}
	n := len(x)
	slopes, intercepts := make([]float64, n), make([]float64, n)
	for i := range x {
		b, a, ok := deming(x, y, ratio, i)
		if !ok {
			return DemingLine{}, ErrDegenerate
		}
		f := float64(n)
		slopes[i], intercepts[i] = f*slope-(f-1)*b, f*intercept-(f-1)*a
	}
	spread := func(v []float64) float64 {
		_, variance := moments(v)
		return math.Sqrt(variance / float64(n))
	}
	l.SlopeCI = around(slope, spread(slopes), float64(n-2))
	l.InterceptCI = around(intercept, spread(intercepts), float64(n-2))
	return l, nil
}

// deming fits without pair leave; −1 leaves none out.
func deming(x, y []float64, ratio float64, leave int) (slope, intercept float64, ok bool) {
	var n, mx, my float64
	for i := range x {
		if i != leave {
			n, mx, my = n+1, mx+x[i], my+y[i]
		}
	}
	mx, my = mx/n, my/n
	var xx, yy, xy float64
	for i := range x {
		if i != leave {
			xx, yy, xy = xx+square(x[i]-mx), yy+square(y[i]-my), xy+(x[i]-mx)*(y[i]-my)
		}
	}
	if xy == 0 {
		return 0, 0, false
	}
	d := yy - ratio*xx
	slope = (d + math.Sqrt(d*d+4*ratio*xy*xy)) / (2 * xy)
	return slope, my - slope*mx, true
}
