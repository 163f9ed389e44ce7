package film

import (
	"math"
	"slices"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// A straight tube, 30 mm wide with cortices of 6 and 5 mm, drawn by hand on a
// film on which no femur was found: what is measured is what was drawn, on the
// side that the drawing tells (lateral lies clockwise of proximal on a left femur
// that faces the reader: common practice, no source).
func TestFemurDrawnByHand(t *testing.T) {
	s := sight{scale: scale{spacing: geom.Spacing{Y: 0.5, X: 0.25}, known: true}}
	edge := func(name string, x float64, y ...float64) job.Correction {
		c := job.Correction{Kind: job.DrawEdge, Name: name}
		for _, y := range y {
			p := s.scale.spacing.Px(geom.PointMM{X: x, Y: y})
			c.Points = append(c.Points, [2]float64{p.X, p.Y})
		}
		return c
	}
	tip := s.scale.spacing.Px(geom.PointMM{X: 100, Y: 60})
	ap := []job.Correction{edge("outer_lateral", 130, 40, 200, 350), edge("inner_medial", 105, 50, 340), edge("outer_medial", 100, 350, 40),
		edge("inner_lateral", 124, 340, 120, 50), {Kind: job.MoveLandmark, Name: "lesser_trochanter", To: [2]float64{tip.X, tip.Y}}}
	got, err := s.corrected(job.Inspection{Frame: 1, Femur: 1, Corrections: ap})
	if err != nil {
		t.Fatal(err)
	}
	f := got.femurs(settings)[0]
	if f.Record.View != measure.AP || f.Record.Side != measure.Left || f.Record.Status == measure.StatusNotMeasured {
		t.Errorf("%s %s, %s: %v", f.Record.View, f.Record.Side, f.Record.Status, f.Record.Reasons)
	}
	for q, want := range map[measure.Quantity]float64{measure.OuterWidthAt(100): 30, measure.CanalWidthAt(100): 19, measure.CorticalIndexAt(100): 11. / 30,
		measure.CortexAt(measure.AP, true, 50): 6, measure.CortexAt(measure.AP, false, 150): 5, measure.BowCurvature: 0} {
		v, ok := f.Record.Values[q]
		if !ok || math.Abs(v.X-want) > 1e-6 {
			t.Errorf("%s: %v, want %v", q, v, want)
		}
		if q == measure.OuterWidthAt(100) && v.U95 < measure.Coverage*handEdgeSigma {
			t.Errorf("%s: u95 %.2f mm of a width between hand-drawn edges", q, v.U95)
		}
	}
	for _, name := range []string{"outer_lateral", "outer_medial", "inner_lateral", "inner_medial"} {
		if len(f.Geometry.Contours[name]) < 280 {
			t.Errorf("%s: %d points", name, len(f.Geometry.Contours[name]))
		}
	}

	// Lateral films face by their names too; the picture tells no side.
	lat := []job.Correction{edge("outer_posterior", 130, 40, 350), edge("outer_anterior", 100, 40, 350)}
	if got, err = s.corrected(job.Inspection{Frame: 1, Femur: 1, Corrections: lat}); err != nil {
		t.Fatal(err)
	}
	if f := got.femurs(settings)[0]; f.Record.View != measure.Lateral || f.Record.Side != "" || slices.Contains(f.Record.Reasons, measure.FacingUnknown) {
		t.Errorf("%s %q: %v", f.Record.View, f.Record.Side, f.Record.Reasons)
	}

	ofHeader := s
	ofHeader.header = intake.Header{View: measure.AP}
	for name, c := range map[string]struct {
		s sight
		c []job.Correction
	}{
		"one edge":            {s, ap[:2]},
		"two of one side":     {s, []job.Correction{ap[0], ap[0]}},
		"sides of two views":  {s, []job.Correction{ap[0], lat[0]}},
		"the header's view":   {ofHeader, lat},
		"no such edge":        {s, append(slices.Clone(ap), edge("outer_anterior", 90, 40, 350))},
		"a row that is not":   {s, nil},
		"a line that is none": {s, []job.Correction{edge("outer_lateral", 130, 40, 41), ap[2]}},
	} {
		row := 1
		if c.c == nil {
			c.c, row = ap, 2
		}
		if _, err := c.s.corrected(job.Inspection{Frame: 1, Femur: row, Corrections: c.c}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
