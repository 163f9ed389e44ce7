package film

import (
	"math"
	"testing"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// TestTooThin: an adult's head of 48 mm belongs to a shaft of some 28 mm (common
// practice, no source); half of that shaft is none.
func TestTooThin(t *testing.T) {
	for _, c := range []struct {
		width float64
		want  bool
	}{{28, false}, {23, false}, {16.5, true}} {
		var r measure.Record
		r.Set(measure.HeadDiameter, 48, 1)
		for _, level := range measure.Levels {
			r.Set(measure.OuterWidthAt(level), c.width, 0.5)
		}
		if got := tooThin(&r); got != c.want {
			t.Errorf("a shaft of %g mm: %v", c.width, got)
		}
	}
	if tooThin(&measure.Record{}) {
		t.Error("a record without numbers has a thin shaft")
	}
}

// TestStrayed: a doubt of more than 1 per metre over 100 mm is greater than any bow
// (common practice, no source).
func TestStrayed(t *testing.T) {
	for _, c := range []struct {
		span, ends, u95 float64
		want            bool
	}{{110, 1, 3, true}, {110, 1, 0.4, false}, {60, 1, 3, false}, {110, 40, 3, false}} {
		var r measure.Record
		r.Set(measure.BowSpan, c.span, c.ends)
		r.Set(measure.BowCurvature, 0.7, c.u95)
		if got := strayed(&r); got != c.want {
			t.Errorf("over %g ± %g mm ± %g per m: %v", c.span, c.ends, c.u95, got)
		}
	}
	if strayed(&measure.Record{}) {
		t.Error("a record without numbers has strayed")
	}
}

// TestOriginSigma: a tip 0.2 widths out of the outline below it is as sure as it was
// found, one on that outline only from the front or where a reader set it (the shaft
// drawn, 30 mm wide).
func TestOriginSigma(t *testing.T) {
	const found = 1.5
	sp := geom.Spacing{X: 0.2, Y: 0.2}
	edge := func(x float64) (e measure.Edge) {
		for y := 0.0; y <= 200; y++ {
			e.P = append(e.P, geom.PointMM{X: x, Y: y})
		}
		return e
	}
	shaft, err := measure.NewShaft(measure.Contours{OuterPos: edge(100), OuterNeg: edge(130)}, levelStep)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		out, sigma float64
		view       measure.View
		want       float64
	}{
		{0.2, found, measure.Lateral, found},
		{0, found, measure.Lateral, math.Hypot(found, unclearTips)},
		{0, found, measure.AP, found},
		{0, handTipSigma, measure.Lateral, handTipSigma},
	} {
		tip := geom.PointMM{X: 130 + 30*c.out, Y: 20}
		if !shaft.SetOrigin(tip) {
			t.Fatal("no origin")
		}
		if got := originSigma(detect.Landmark{P: sp.Px(tip), Sigma: c.sigma}, c.view, shaft, sp); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s, %g widths out: sigma %g, want %g", c.view, c.out, got, c.want)
		}
	}
}
