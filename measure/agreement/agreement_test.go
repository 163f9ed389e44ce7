package agreement

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s = %.6f, want %.6f ± %g", what, got, want, within)
	}
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// Peak expiratory flow of 17 subjects, l/min, by two instruments, twice.
// Source: Bland, Altman, Lancet 327 (1986) 307–310, table 1.
var (
	wright1 = []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	wright2 = []float64{490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421}
	mini1   = []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	mini2   = []float64{525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443}
)

func TestBlandAltmanOfPeakFlow(t *testing.T) {
	l := must(BlandAltman(wright1, mini1))(t)
	// As printed in the paper.
	near(t, "bias", l.Bias, -2.1, 0.05)
	near(t, "SD", l.SD, 38.8, 0.05)
	near(t, "bias from", l.BiasCI.Low, -22.0, 0.06)
	near(t, "bias to", l.BiasCI.High, 17.8, 0.06)
	// The paper takes 2 SD and rounded numbers, so its intervals of the limits,
	// −114.3 to −45.1 and 40.9 to 110.1, lie 1.55 l/min farther out than with 1.96 SD.
	shift := (2 - normal975) * l.SD
	near(t, "lower limit from", l.LowerCI.Low-shift, -114.3, 0.3)
	near(t, "lower limit to", l.LowerCI.High-shift, -45.1, 0.3)
	near(t, "upper limit from", l.UpperCI.Low+shift, 40.9, 0.3)
	near(t, "upper limit to", l.UpperCI.High+shift, 110.1, 0.3)
	// By arithmetic on the table.
	near(t, "lower limit", l.Lower, -78.0973, 0.002)
	near(t, "upper limit", l.Upper, 73.8620, 0.002)
	near(t, "r of difference with mean", l.CorrelationWithMean, 0.083680, 1e-6)
}

func TestRepeatabilityOfPeakFlow(t *testing.T) {
	repeats := func(a, b []float64) (out [][]float64) {
		for i := range a {
			out = append(out, []float64{a[i], b[i]})
		}
		return out
	}
	for _, c := range []struct {
		name         string
		a, b         []float64
		coefficient  float64 // printed: 2 SD of the differences
		withinByHand float64
	}{{"Wright", wright1, wright2, 43.2, 15.306669}, {"mini", mini1, mini2, 56.4, 19.910831}} {
		s := must(WithinSubject(repeats(c.a, c.b)))(t)
		near(t, c.name+" within-subject SD", s, c.withinByHand, 1e-6)
		near(t, c.name+" repeatability", 2*math.Sqrt2*s, c.coefficient, 0.1)
	}
}

func TestConcordanceOfPeakFlow(t *testing.T) {
	c := must(Concordance(wright1, mini1))(t)
	near(t, "concordance", c.X, 0.942742, 1e-6) // by arithmetic on the table
	if !(c.CI.Low < c.X && c.X < c.CI.High) {
		t.Errorf("interval %v does not hold %v", c.CI, c.X)
	}
}

func TestDemingLine(t *testing.T) {
	// Data and line: Pearson, Phil. Mag. 2 (1901) 559–572, y = 5.784 − 0.5456 x.
	x := []float64{0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4}
	y := []float64{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}
	l := must(Deming(x, y, 1))(t)
	near(t, "slope", l.Slope, -0.5456, 5e-5)
	near(t, "intercept", l.Intercept, 5.784, 5e-4)
	// Without error in x the line is that of least squares of y on x (by
	// arithmetic on the same data).
	l = must(Deming(x, y, 1e9))(t)
	near(t, "slope of y on x", l.Slope, -0.539577, 1e-5)
	l = must(Deming(x, y, 1e-9))(t)
	near(t, "slope of x on y", l.Slope, -0.565889, 1e-5)
	l = must(Deming(wright1, mini1, 1))(t)
	near(t, "slope of peak flow", l.Slope, 0.970881, 1e-6)
	near(t, "intercept of peak flow", l.Intercept, 15.231555, 1e-5)
}

func TestIntraClassOfShroutAndFleiss(t *testing.T) {
	// Shrout, Fleiss, Psychol. Bull. 86 (1979) 420–428, table 2; coefficients
	// as printed in table 4, intervals by the paper's formulas.
	r := must(IntraClass([][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}))(t)
	near(t, "between", r.Between, 11.24, 0.005)
	near(t, "within", r.Within, 6.26, 0.005)
	near(t, "judges", r.Judges, 32.49, 0.005)
	near(t, "residue", r.Residue, 1.02, 0.005)
	for i, want := range []struct{ single, low, high, average, averageLow, averageHigh float64 }{
		{0.17, -0.1329, 0.7226, 0.44, -0.8844, 0.9124},
		{0.29, 0.0188, 0.7611, 0.62, 0.0711, 0.9272},
		{0.71, 0.3425, 0.9459, 0.91, 0.6757, 0.9859},
	} {
		near(t, "single", r.Single[i].X, want.single, 0.005)
		near(t, "single from", r.Single[i].CI.Low, want.low, 1e-4)
		near(t, "single to", r.Single[i].CI.High, want.high, 1e-4)
		near(t, "average", r.Average[i].X, want.average, 0.005)
		near(t, "average from", r.Average[i].CI.Low, want.averageLow, 1e-4)
		near(t, "average to", r.Average[i].CI.High, want.averageHigh, 1e-4)
	}
	near(t, "SEM, consistency", r.Consistency, 1.009675, 1e-6)
	near(t, "SEM, agreement", r.Agreement, 2.502776, 1e-6)
	near(t, "smallest detectable change", SmallestDetectableChange(r.Consistency), 2.798677, 1e-4)
}

func TestKappa(t *testing.T) {
	// The first three are textbook examples (from memory, no source at hand). The
	// last: Altman, Practical Statistics for Medical Research (1991), 85
	// xeromammograms by two radiologists, 0.47 and 0.57 printed.
	xeromammograms := [][]int{{21, 12, 0, 0}, {4, 17, 1, 0}, {3, 9, 15, 2}, {0, 0, 0, 1}}
	for _, c := range []struct {
		table  [][]int
		w      Weights
		want   float64
		within float64
	}{
		{[][]int{{20, 5}, {10, 15}}, Plain, 0.40, 1e-9},
		{[][]int{{45, 15}, {25, 15}}, Plain, 0.1304, 5e-5},
		{[][]int{{25, 35}, {5, 35}}, Plain, 0.2593, 5e-5},
		{xeromammograms, Plain, 0.47, 0.005},
		{xeromammograms, Linear, 0.57, 0.005},
		{xeromammograms, Quadratic, 0.671371, 1e-6}, // by arithmetic
	} {
		near(t, "kappa", must(Kappa(c.table, c.w))(t).X, c.want, c.within)
	}
}

func TestWilson(t *testing.T) {
	// Newcombe, Stat. Med. 17 (1998) 857–872, table I, method 3; 29 of 29
	// and 186 of 201 (the counts of Schilcher et al., Bone 52 (2013) 389–392) by
	// arithmetic, and so those of 19 (Rosenberg et al., below).
	for _, c := range []struct {
		x, n      int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718},
		{29, 29, 0.8830, 1}, {186, 201, 0.8805, 0.9543}, {18, 19, 0.754, 0.991}, {13, 19, 0.460, 0.846}, {17, 19, 0.686, 0.971}, {19, 19, 0.832, 1}} {
		p := must(Wilson(c.x, c.n))(t)
		within := 6e-5
		if c.n == 19 {
			within = 5e-4 // three decimals
		}
		near(t, "from", p.CI.Low, c.low, within)
		near(t, "to", p.CI.High, c.high, within)
	}
}

// ratings are those of 58 normal and 51 abnormal CT scans.
// Source: Hanley, McNeil, Radiology 143 (1982) 29–36, table I.
func ratings() (score []float64, positive []bool) {
	for rating, n := range [][2]int{{33, 3}, {6, 2}, {6, 2}, {11, 11}, {2, 33}} {
		for k := range 2 {
			for range n[k] {
				score, positive = append(score, float64(rating+1)), append(positive, k == 1)
			}
		}
	}
	return score, positive
}

func TestAreaOfHanleyAndMcNeil(t *testing.T) {
	// Area as printed, 0.893; DeLong's standard error and the cuts by arithmetic.
	score, positive := ratings()
	c := must(Area(score, positive))(t)
	near(t, "area", c.Area, 0.893, 0.0005)
	near(t, "area", c.Area, 2642.0/2958, 1e-12)
	near(t, "standard error", c.SE, 0.030724, 1e-6)
	for i, want := range []Cut{{5, 0.647059, 0.034483}, {4, 0.862745, 0.224138}, {3, 0.901961, 0.327586}, {2, 0.941176, 0.431034}, {1, 1, 1}} {
		near(t, "cut", c.Cuts[i].At, want.At, 0)
		near(t, "true positives", c.Cuts[i].TruePositive, want.TruePositive, 1e-6)
		near(t, "false positives", c.Cuts[i].FalsePositive, want.FalsePositive, 1e-6)
	}
}

func TestDetectionOfRosenberg(t *testing.T) {
	// Rosenberg et al., AJR 197 (2011) 954–960: second reader, sensitivity 94.7 %,
	// specificity 68.4 %, of 19 and 19.
	d := Detection{TP: 18, FN: 1, TN: 13, FP: 6}
	near(t, "sensitivity", must(d.Sensitivity())(t).P, 0.947, 5e-4)
	near(t, "specificity", must(d.Specificity())(t).P, 0.684, 5e-4)
}

func TestWorkload(t *testing.T) {
	got := Workload([]bool{true, false, true})
	want := []Load{{0, 0}, {1, 1}, {2, 1}, {3, 2}}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("line %d is %v, want %v", i, got[i], want[i])
		}
	}
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	for name, err := range map[string]error{
		"unequal":    second(BlandAltman([]float64{1, 2, 3}, []float64{1, 2})),
		"few":        second(BlandAltman([]float64{1}, []float64{1})),
		"not finite": second(Concordance([]float64{1, 2, 3, nan}, []float64{1, 2, 3, 4})),
		"constant":   second(Concordance([]float64{1, 1, 1, 1}, []float64{1, 2, 3, 4})),
		"flat":       second(Deming([]float64{1, 2, 3, 4}, []float64{1, 1, 1, 1}, 1)),
		"one class":  second(Area([]float64{1, 2, 3}, []bool{true, true, true})),
		"one target": second(IntraClass([][]float64{{1, 2}})),
		"ragged":     second(IntraClass([][]float64{{1, 2}, {1}})),
		"all alike":  second(IntraClass([][]float64{{1, 1}, {1, 1}})),
		"one cell":   second(Kappa([][]int{{5, 0}, {0, 0}}, Plain)),
		"none":       second(Wilson(0, 0)),
		"no repeats": second(WithinSubject([][]float64{{1}, {2}})),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func second[T any](_ T, err error) error { return err }
