package film

import (
	"math"
	"slices"
	"testing"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// straight is a femur's shaft straight down the film, 30 mm wide with cortices of
// 7 mm, its second estimate's edges moved outward by off mm at each level.
func straight(off func(level float64) [4]float64) detect.Femur {
	var f detect.Femur
	sp := geom.Spacing{Y: 0.2, X: 0.2}
	put := func(e *detect.Edge, x, y, sigma float64) {
		e.P = append(e.P, sp.Px(geom.PointMM{X: x, Y: y}))
		e.Sigma = append(e.Sigma, sigma)
	}
	for y := 0.0; y <= 240; y += 2 {
		d := off(y - 20)
		put(&f.OuterClockwise, 65, y, 0.03)
		put(&f.OuterCounter, 35, y, 0.03)
		put(&f.InnerClockwise, 58, y, 0.05)
		put(&f.InnerCounter, 42, y, 0.05)
		put(&f.Second.OuterClockwise, 65+d[0], y, 0.05)
		put(&f.Second.OuterCounter, 35-d[1], y, 0.05)
		put(&f.Second.InnerClockwise, 58+d[2], y, 0.05)
		put(&f.Second.InnerCounter, 42-d[3], y, 0.05)
	}
	f.LesserTrochanter = &detect.Landmark{P: sp.Px(geom.PointMM{X: 25, Y: 20}), Sigma: 1}
	return f
}

// Two estimates that agree to a fifth of a millimetre say nothing. A stretch
// around one level at which an edge lies 4 mm elsewhere, as where the first
// one followed a fold, is a reason, and costs that level its widths and no other.
func TestCompareEstimates(t *testing.T) {
	around := func(level, s, by float64) float64 { return by * math.Exp(-(s-level)*(s-level)/(2*8*8)) }
	for name, c := range map[string]struct {
		off  func(s float64) [4]float64
		gone []measure.Quantity
	}{
		"alike":     {off: func(s float64) [4]float64 { return [4]float64{0.1, -0.1, 0.2, -0.2} }},
		"outer off": {func(s float64) [4]float64 { return [4]float64{around(100, s, 4)} }, []measure.Quantity{"outer_width_100_mm", "lateral_cortex_100_mm", "cortical_index_100"}},
		"inner off": {func(s float64) [4]float64 { return [4]float64{0, 0, 0, around(50, s, -4)} }, []measure.Quantity{"canal_width_50_mm", "medial_cortex_50_mm", "cortical_index_50"}},
	} {
		f := straight(c.off)
		sp := geom.Spacing{Y: 0.2, X: 0.2}
		id := identity{view: measure.AP, side: measure.Left, facing: true, directed: true, clockwise: true}
		shaft, err := measure.NewShaft(contours(f, id, sp), levelStep)
		if err != nil {
			t.Fatal(err)
		}
		if !shaft.SetOrigin(sp.MM(f.LesserTrochanter.P)) {
			t.Fatal("no origin")
		}
		opt := measure.ShaftOptions{View: measure.AP, HasScale: true, HasOrigin: true, Errors: errorModel(f, false)}
		r := measure.Record{View: measure.AP}
		shaft.Measure(&r, opt)
		before := len(r.Values)
		compare(&r, f, id, sp, shaft, opt)
		if got := slices.Contains(r.Reasons, measure.EstimatesDisagree); got != (c.gone != nil) {
			t.Errorf("%s: disagreement %v", name, got)
		}
		if before-len(r.Values) != len(c.gone) {
			t.Errorf("%s: %d values dropped, want %d", name, before-len(r.Values), len(c.gone))
		}
		for _, q := range c.gone {
			if _, ok := r.Values[q]; ok {
				t.Errorf("%s: %s is still there", name, q)
			}
		}
	}
}

// Where the film goes on past a trace's end, the end is the less certain.
func TestEndsOfATrace(t *testing.T) {
	var f detect.Femur
	f.Beyond = [2]float64{0, 50}
	m := errorModel(f, false)
	if !(m.EndSigma[0] < 3 && m.EndSigma[1] > 15) {
		t.Errorf("end sigmas %v", m.EndSigma)
	}
	if r := errorModel(f, true); r.EndSigma != [2]float64{m.EndSigma[1], m.EndSigma[0]} {
		t.Errorf("reversed: %v", r.EndSigma)
	}
}
