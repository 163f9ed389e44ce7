package agreement

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Coefficient is a coefficient of agreement with its confidence interval.
type Coefficient struct {
	X  float64
	CI Interval
}

// ICC are the intra-class correlations of n targets read by k judges each, by
// the models of SF79: 1, each target has judges of its own; 2, the judges are a
// sample (absolute agreement); 3, the judges are the only ones (consistency).
type ICC struct {
	N, K                             int
	Between, Within, Judges, Residue float64 // mean squares
	Single, Average                  [3]Coefficient

	Agreement, Consistency float64 // standard error of measurement, in the readings' unit
}

// SmallestDetectableChange is the least difference of two readings that is not
// measurement error: 1.96·√2 of the standard error of measurement.
func SmallestDetectableChange(sem float64) float64 { return normal975 * math.Sqrt2 * sem }

// IntraClass returns the intra-class correlations of readings[target][judge]:
// at least two targets with the same number, at least two, of judges. Intervals
// are those of SF79 and MW96.
func IntraClass(readings [][]float64) (ICC, error) {
	n := len(readings)
	if n < 2 || len(readings[0]) < 2 {
		return ICC{}, ErrTooFew
	}
	k := len(readings[0])
	mean := 0.0
	targets, judges := make([]float64, n), make([]float64, k)
	for i, row := range readings {
		if len(row) != k {
			return ICC{}, ErrUnequal
		}
		for j, x := range row {
			if math.IsNaN(x - x) {
				return ICC{}, ErrUnequal
			}
			targets[i] += x / float64(k)
			judges[j] += x / float64(n)
			mean += x / float64(n*k)
		}
	}
	fn, fk := float64(n), float64(k)
	var between, within, across, residue float64
	for i, row := range readings {
		between += fk * square(targets[i]-mean)
		for j, x := range row {
			within += square(x - targets[i])
			residue += square(x - targets[i] - judges[j] + mean)
		}
	}
	for _, m := range judges {
		across += fn * square(m-mean)
	}
	r := ICC{N: n, K: k, Between: between / (fn - 1), Within: within / (fn * (fk - 1)),
		Judges: across / (fk - 1), Residue: residue / ((fn - 1) * (fk - 1))}
	b, w, j, e := r.Between, r.Within, r.Judges, r.Residue
	if b == 0 || w == 0 || e == 0 {
		return r, ErrDegenerate
	}
	r.Consistency = math.Sqrt(e)
	r.Agreement = math.Sqrt(math.Max(w, 0))

	oneWay := func(ratio, df float64) (single, average Coefficient) {
		single.X, average.X = (ratio-1)/(ratio+fk-1), 1-1/ratio
		low := ratio / quantileF(fn-1, df)
		high := ratio * quantileF(df, fn-1)
		single.CI = Interval{(low - 1) / (low + fk - 1), (high - 1) / (high + fk - 1)}
		average.CI = Interval{1 - 1/low, 1 - 1/high}
		return single, average
	}
	r.Single[0], r.Average[0] = oneWay(b/w, fn*(fk-1))
	r.Single[2], r.Average[2] = oneWay(b/e, (fn-1)*(fk-1))

	two := (b - e) / (b + (fk-1)*e + fk*(j-e)/fn)
	ratio := j / e
	part := fn*(1+(fk-1)*two) - fk*two
	df := (fk - 1) * (fn - 1) * square(fk*two*ratio+part) /
		((fn-1)*square(fk*two*ratio) + square(part))
	low := quantileF(fn-1, df)
	high := quantileF(df, fn-1)
	spread := fk*j + (fk*fn-fk-fn)*e
	r.Single[1] = Coefficient{two, Interval{
		fn * (b - low*e) / (low*spread + fn*b),
		fn * (high*b - e) / (spread + fn*high*b)}}
	average := func(x float64) float64 { return fk * x / (1 + (fk-1)*x) }
	r.Average[1] = Coefficient{(b - e) / (b + (j-e)/fn),
		Interval{average(r.Single[1].CI.Low), average(r.Single[1].CI.High)}}
	return r, nil
}

func quantileF(d1, d2 float64) float64 { return distuv.F{D1: d1, D2: d2}.Quantile(1 - tail) }

func square(x float64) float64 { return x * x }
