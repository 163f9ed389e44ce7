package film

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// From file to row: the thickening and the dark line that were put in. The limits
// are what this project asks of unseen films: level within 3 mm, tilt within 5°;
// of the height its stated uncertainty.
func TestMeasureFocalThickening(t *testing.T) {
	s := simulate.Draw(rand.New(rand.NewPCG(2207, 3)), "thickening")
	s.Legs[0].Anatomy.Focal = []simulate.Focal{{Bump: simulate.Bump{Level: 130, Height: 2, Length: 16}, Outer: 1,
		LineWidth: 0.8, LineDepth: 0.6, LineAngle: 8, LineBone: 0.9}}
	s.Folds = nil
	f := s.Render()
	truth := f.Truth.Femurs[0].Focal[0]
	a := measured(t, f)
	if len(a.Femurs) != 1 {
		t.Fatalf("%d rows, want 1", len(a.Femurs))
	}
	m := a.Femurs[0]
	r := m.Record
	if r.Values[measure.FocalCount].X != 1 || len(m.Focal) != 1 || len(m.Geometry.Focal) != 1 {
		t.Fatalf("count %v, %d findings, %d drawn, want 1; reasons %v", r.Values[measure.FocalCount], len(m.Focal), len(m.Geometry.Focal), r.Reasons)
	}
	if v := r.Values[measure.FocalLevel]; r.LevelOrigin == "lesser_trochanter" && math.Abs(v.X-truth.LevelMM) > 3 {
		t.Errorf("level %.1f, want %.1f", v.X, truth.LevelMM)
	}
	if v := r.Values[measure.FocalHeight]; math.Abs(v.X-truth.HeightMM) > v.U95 {
		t.Errorf("height %.2f ± %.2f, want %.2f", v.X, v.U95, truth.HeightMM)
	}
	if v := r.Values[measure.FocalLength]; math.Abs(v.X-truth.LengthMM) > v.U95 {
		t.Errorf("length %.1f ± %.1f, want %.1f", v.X, v.U95, truth.LengthMM)
	}
	if r.Texts["focal_surface"] != measure.Periosteal {
		t.Errorf("surface %q", r.Texts["focal_surface"])
	}
	if r.Texts["lucent_line"] != "seen" || m.Focal[0].Line.State != "seen" {
		t.Fatalf("line %q at the row, %q at the finding", r.Texts["lucent_line"], m.Focal[0].Line.State)
	}
	if v := r.Values[measure.LucentLineAngle]; math.Abs(v.X-truth.LineAngleDeg) > 5 {
		t.Errorf("tilt %.1f, want %.1f", v.X, truth.LineAngleDeg)
	}
	if v := r.Values[measure.LucentLineDepthFraction]; math.Abs(v.X-truth.LineDepth) > v.U95 {
		t.Errorf("depth %.2f ± %.2f, want %.2f", v.X, v.U95, truth.LineDepth)
	}
	if v := r.Values[measure.LucentLineFloor]; !(v.X > 0 && v.X <= 0.5) {
		t.Errorf("floor %.2f mm", v.X)
	}
}

// Without a scale a thickening is counted and drawn, and has no lengths.
func TestMeasureFocalThickeningWithoutScale(t *testing.T) {
	s := simulate.Draw(rand.New(rand.NewPCG(2207, 3)), "thickening")
	s.Legs[0].Anatomy.Focal = []simulate.Focal{{Bump: simulate.Bump{Level: 130, Height: 2, Length: 16}, Outer: 1}}
	s.Folds = nil
	f := s.Render()
	truth, spacing := f.Truth.Femurs[0].Focal[0], f.Truth.Spacing
	f.Facts.ImagerPixelSpacing, f.Facts.PixelSpacing, f.Facts.CalibrationType = geom.Spacing{}, geom.Spacing{}, ""
	a := measured(t, f)
	if len(a.Femurs) != 1 {
		t.Fatalf("%d rows, want 1", len(a.Femurs))
	}
	m := a.Femurs[0]
	r := m.Record
	if r.ScaleBasis != "none" || r.Values[measure.FocalCount].X != 1 || r.Texts["focal_surface"] != measure.Periosteal || len(m.Geometry.Focal) != 1 {
		t.Fatalf("scale %q, count %v, surface %q, %d drawn; reasons %v", r.ScaleBasis, r.Values[measure.FocalCount], r.Texts["focal_surface"], len(m.Geometry.Focal), r.Reasons)
	}
	for _, q := range []measure.Quantity{measure.FocalLevel, measure.FocalHeight, measure.FocalLength} {
		if v, ok := r.Values[q]; ok || r.NoneThere(q) || !slices.Contains(r.WhyEmpty(q), measure.ScaleNone) {
			t.Errorf("%s %v, none there %v, reasons %v", q, v, r.NoneThere(q), r.WhyEmpty(q))
		}
	}
	if len(m.Focal) != 0 || m.Geometry.Focal[0].HeightMM != 0 || m.Geometry.Focal[0].LevelMM != 0 {
		t.Errorf("lengths without a scale: %+v, %+v", m.Focal, m.Geometry.Focal)
	}
	// The true level is a length along the true mid-line, from the lesser trochanter.
	shaft, err := f.Truth.Femurs[0].Shaft(spacing)
	if err != nil {
		t.Fatal(err)
	}
	if at := shaft.LevelOf(spacing.MM(m.Geometry.Focal[0].Peak)); math.Abs(at-truth.LevelMM) > 3 {
		t.Errorf("drawn at %.1f mm, want %.1f", at, truth.LevelMM)
	}
}

// On a lateral film nothing of the lateral cortex is said.
func TestMeasureNoFocalOnLateralFilm(t *testing.T) {
	f := simulate.Draw(rand.New(rand.NewPCG(78, 2)), "lat_full").Render()
	for _, m := range measured(t, f).Femurs {
		if _, ok := m.Record.Values[measure.FocalCount]; ok || len(m.Focal) > 0 || m.Record.Texts["lucent_line"] != "" {
			t.Errorf("focal columns on a lateral film: %+v", m.Record.Values[measure.FocalCount])
		}
	}
}
