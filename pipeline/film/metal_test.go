package film

import (
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/simulate"
)

// On films of every implant the row says that there is one, and no cortex, canal
// or width is given at a level where metal lies within 3 mm of an edge that it
// rests on. The places of the metal are the simulator's truth.
func TestNoNumberTouchesMetal(t *testing.T) {
	compared := 0
	for i, kind := range simulate.Implants() {
		s := simulate.Draw(rand.New(rand.NewPCG(61, uint64(i))), "ap_long")
		s.Legs[0].Implant, s.Legs[0].Break, s.Marks = kind, nil, nil
		f := coarsened(s, 2).Render()
		truth := f.Truth.Femurs[0]
		r := measured(t, f).Femurs[0].Record
		// Staples of the skin may lie beside the bone alone: then they are none of its implants.
		if kind == simulate.Staples {
			if !slices.Contains(r.Reasons, measure.ImplantPresent) && !slices.Contains(r.Reasons, measure.MetalOverCortex) {
				t.Errorf("%s: not a word of metal, reasons %v", kind, r.Reasons)
			}
		} else if !slices.Contains(r.Reasons, measure.ImplantPresent) || r.Texts["implant"] == detect.ImplantNone {
			t.Errorf("%s: implant %q, reasons %v", kind, r.Texts["implant"], r.Reasons)
		}
		if r.LevelOrigin != truth.LevelOrigin || truth.Metal == nil {
			continue
		}
		near := func(edge string, level int) bool {
			for _, span := range truth.Metal.Near[edge] {
				// The rows' origin may lie a little off the truth's.
				if float64(level) > span[0]+2 && float64(level) < span[1]-2 {
					return true
				}
			}
			return false
		}
		for _, level := range measure.Levels {
			outer := near("outer_lateral", level) || near("outer_medial", level)
			inner := near("inner_lateral", level) || near("inner_medial", level)
			for q, touched := range map[measure.Quantity]bool{
				measure.CortexAt(truth.View, true, level):  near("outer_lateral", level) || near("inner_lateral", level),
				measure.CortexAt(truth.View, false, level): near("outer_medial", level) || near("inner_medial", level),
				measure.OuterWidthAt(level):                outer,
				measure.CanalWidthAt(level):                inner,
				measure.CorticalIndexAt(level):             outer || inner,
			} {
				v, given := r.Values[q]
				if touched && given {
					t.Errorf("%s: %s = %.1f beside metal", kind, q, v.X)
				}
				if given {
					compared++
				}
			}
		}
	}
	if compared < 60 {
		t.Errorf("%d numbers beside the metal, want more", compared)
	}
}

// What needs a long stretch of edges goes with them, by the shares hidden.
func TestHiddenEdgesTakeTheirQuantities(t *testing.T) {
	all := []measure.Quantity{measure.BowCurvature, measure.NeckShaftAngle, measure.IsthmusLevel, measure.HeadDiameter}
	for _, c := range []struct {
		outer, inner float64
		kept         []measure.Quantity
	}{
		{0, 0, all},
		{0.02, 0.3, []measure.Quantity{measure.BowCurvature, measure.NeckShaftAngle, measure.HeadDiameter}},
		{0.02, 0.9, []measure.Quantity{measure.NeckShaftAngle, measure.HeadDiameter}},
		{0.3, 0.3, []measure.Quantity{measure.HeadDiameter}},
	} {
		r := measure.Record{}
		for _, q := range all {
			r.Set(q, 1, 0)
		}
		dropHidden(&r, detect.Femur{MetalOverOuter: c.outer, MetalOverInner: c.inner})
		for _, q := range all {
			if _, ok := r.Values[q]; ok != slices.Contains(c.kept, q) {
				t.Errorf("outer %g, inner %g: %s kept %t", c.outer, c.inner, q, ok)
			}
		}
	}
}

// A shaft of which metal hides a whole side is refused, not measured.
func TestOneSideHiddenIsRefused(t *testing.T) {
	f := detect.Femur{Found: 1, Implant: detect.ImplantPlate, MetalOverOuter: 0.5}
	f.OuterCounter = detect.Edge{P: make([]geom.PointPx, 50), Sigma: make([]float64, 50)}
	r := femur(f, intake.Header{}, scale{}, nil, measure.Record{}).Record
	if r.Status != measure.StatusNotMeasured || !slices.Contains(r.Reasons, measure.EdgesUnclear) {
		t.Errorf("status %q, reasons %v", r.Status, r.Reasons)
	}
}
