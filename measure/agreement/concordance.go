package agreement

import "math"

// Concordance returns Lin's concordance correlation of x and y, at least four
// pairs; moments have denominator n, the interval is by the z-transform (L89).
func Concordance(x, y []float64) (Coefficient, error) {
	if err := paired(x, y, 4); err != nil {
		return Coefficient{}, err
	}
	n := float64(len(x))
	mx, vx := moments(x)
	my, vy := moments(y)
	if vx == 0 || vy == 0 {
		return Coefficient{}, ErrDegenerate
	}
	shrink := (n - 1) / n
	r := covariance(x, y) / math.Sqrt(vx*vy)
	p := 2 * shrink * covariance(x, y) / (shrink*(vx+vy) + square(mx-my))
	if r == 0 || square(p) >= 1 {
		return Coefficient{p, Interval{p, p}}, nil
	}
	u := square(mx-my) / (shrink * math.Sqrt(vx*vy))
	variance := ((1-r*r)*p*p*(1-p*p)/(r*r) + 2*p*p*p*(1-p)*u/r - p*p*p*p*u*u/(2*r*r)) / (n - 2)
	z := math.Atanh(p)
	half := normal975 * math.Sqrt(math.Max(variance, 0)) / (1 - p*p)
	return Coefficient{p, Interval{math.Tanh(z - half), math.Tanh(z + half)}}, nil
}
