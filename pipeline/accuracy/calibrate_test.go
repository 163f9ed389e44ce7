package accuracy

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/simulate"
)

// Normal errors whose u95 was stated as a given part of twice their standard
// deviation: 95 % of them lie within 1.96 of it (normal distribution).
func TestChange(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	draw := func(n int, stated float64, real bool) (out []miss) {
		for range n {
			out = append(out, miss{ratio: math.Abs(rng.NormFloat64()) / (2 * stated), real: real})
		}
		return out
	}
	for _, c := range []struct {
		name string
		in   []miss
		want float64
	}{
		{"right", draw(4000, 1, false), 1},
		{"half of it", draw(4000, 0.5, false), 1.96},
		{"twice of it", draw(4000, 2, true), 0.49},
		{"twice of it, real ones unknown", draw(4000, 2, false), 1},
		{"too few to tell", draw(6, 0.5, false), 1},
		// 10 % of the second are farther out than 1.645, of the first next to none.
		{"real ones too narrow", append(draw(8000, 1, false), draw(4000, 0.5, true)...), 1.645},
		{"none", nil, 1},
	} {
		got := change(c.in)
		if math.Abs(got-c.want) > 0.06*c.want {
			t.Errorf("%s: %.3f, want %.3f", c.name, got, c.want)
		}
	}
}

// What the second half of the films is for is never fitted.
func TestProofIsNotFitted(t *testing.T) {
	var in []miss
	for i := range 500 {
		in = append(in, miss{ratio: float64(i), proof: true})
	}
	if got := change(in); got != 1 {
		t.Errorf("factor %g from proof alone", got)
	}
}

// Errors of a standard deviation of 0.2° stated as a u95 of 0.2°: it holds 68 %,
// and takes a factor of 1.96.
func TestCalibrate(t *testing.T) {
	var all []Film
	rng := rand.New(rand.NewPCG(7, 8))
	for i := range 600 {
		f := film("ap_full", []simulate.FemurTruth{truthAt(500, measure.Right, truths{measure.ShaftAxis: 3})},
			rowAt(500, measure.Right, values{measure.ShaftAxis: {X: 3 + 0.2*rng.NormFloat64(), U95: 0.2}}))
		f.Source = fmt.Sprintf("film-%d", i)
		all = append(all, f)
	}
	c := Calibrate(all, func(string) bool { return false })
	if len(c.Columns) != 1 || len(c.Groups) != 1 {
		t.Fatalf("%+v", c)
	}
	axis := c.Columns[0]
	if got := axis.Factor / axis.Kept; math.Abs(got-1.96) > 0.25 {
		t.Errorf("factor %.2f, want 1.96", got)
	}
	if n := axis.Proven.Whole; n < 240 || n > 360 || axis.Fitted.Whole != 600-n {
		t.Errorf("halves of %d and %d films", axis.Fitted.Whole, n)
	}
	if coverage(axis.Before) != CoverageLow || coverage(axis.Proven) != CoverageGood {
		t.Errorf("proof: %s before, %s after", judged(axis.Before), judged(axis.Proven))
	}
	if got := c.Table()[measure.ShaftAxis]; got != axis.Factor {
		t.Errorf("table holds %g, want %g", got, axis.Factor)
	}
	var b strings.Builder
	if err := c.WriteText(&b); err != nil || !strings.Contains(b.String(), "shaft_axis_deg") {
		t.Errorf("%v\n%s", err, b.String())
	}
}
