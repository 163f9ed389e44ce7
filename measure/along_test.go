package measure

import (
	"math"
	"testing"
)

// The phantom's own edges give its own distances; with a side that lies 0.8 mm
// farther out, every outer width is 0.8 mm more and nothing else changes; edges
// that are not there leave the shaft as it was.
func TestAlong(t *testing.T) {
	f := waisted(1.0 / 900)
	s := shaftOf(t, f)
	opt := scaled
	var first, same, wide Record
	s.Measure(&first, opt)

	o, err := s.Along(f.contours(1), true)
	if err != nil {
		t.Fatal(err)
	}
	o.Measure(&same, opt)
	shifted := f
	outer := f.distance[0]
	shifted.distance[0] = func(s float64) float64 { return outer(s) + 0.8 }
	c := shifted.contours(1)
	c.InnerPos, c.InnerNeg = Edge{}, Edge{}
	if o, err = s.Along(c, true); err != nil {
		t.Fatal(err)
	}
	o.Measure(&wide, opt)

	if len(first.Values) == 0 || len(same.Values) != len(first.Values) {
		t.Fatalf("%d values of %d", len(same.Values), len(first.Values))
	}
	for q, v := range first.Values {
		if math.Abs(same.Values[q].X-v.X) > 1e-6*math.Max(1, math.Abs(v.X)) {
			t.Errorf("%s: %g along its own edges, %g before", q, same.Values[q].X, v.X)
		}
	}
	for _, level := range Levels {
		for q, more := range map[Quantity]float64{OuterWidthAt(level): 0.8, CortexAt(AP, true, level): 0.8, CortexAt(AP, false, level): 0, CanalWidthAt(level): 0} {
			if got := wide.Values[q].X - first.Values[q].X; math.Abs(got-more) > 0.005 {
				t.Errorf("%s: %.3f mm more, want %.1f", q, got, more)
			}
		}
	}
	if got := s.OuterPos[100]; got == o.OuterPos[100] {
		t.Error("the shaft itself was changed")
	}
	if _, err := s.Along(Contours{OuterPos: Edge{P: c.OuterPos.P, Sigma: []float64{1}}}, true); err == nil {
		t.Error("one sigma for many points accepted")
	}
}

// A row that two estimates dispute is measured in part, however full it is.
func TestDisagreementIsPartial(t *testing.T) {
	r := waistedRecord(t, AP)
	r.LevelOrigin = "lesser_trochanter"
	if got := DetermineStatus(&r); got != StatusMeasured {
		t.Fatalf("status %s", got)
	}
	r.AddReason(EstimatesDisagree)
	if got := DetermineStatus(&r); got != StatusPartial {
		t.Errorf("status %s", got)
	}
}
