package film

import (
	"testing"

	"shaftgauge/measure"
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
