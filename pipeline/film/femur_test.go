package film

import (
	"testing"

	"shaftgauge/measure"
)

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
