package calibration

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// Every factor that is kept belongs to a column with an uncertainty.
func TestKept(t *testing.T) {
	known := make(map[measure.Quantity]bool)
	for _, c := range measure.Columns {
		known[measure.Quantity(c.Name)] = c.Uncertain
	}
	for q, f := range Kept() {
		if !known[q] || Tied(q) || !(f > 0.1 && f < 10) {
			t.Errorf("%s: factor %g", q, f)
		}
	}
}

func TestApply(t *testing.T) {
	table := Table{measure.BowCurvature: 2, measure.ShaftAxis: 3}
	r := measure.Record{}
	r.Set(measure.ShaftAxis, 5, 0.1)
	r.Set(measure.BowSpan, 200, 4)
	r.Set(measure.BowCurvature, -1, 0.4)
	r.Set(measure.BowRadius, 1000, 400)
	table.Apply(&r)
	for q, want := range map[measure.Quantity]float64{measure.ShaftAxis: 0.3, measure.BowSpan: 4, measure.BowCurvature: 0.8, measure.BowRadius: 800} {
		if got := r.Values[q].U95; math.Abs(got-want) > 1e-12 {
			t.Errorf("%s: u95 %g, want %g", q, got, want)
		}
	}
	// Once more, and the bow is within its uncertainty.
	table.Apply(&r)
	if _, ok := r.Values[measure.BowRadius]; ok || !slices.Contains(r.Reasons, measure.BowNotResolved) {
		t.Errorf("radius of a bow that is not resolved: %v %v", r.Values, r.Reasons)
	}
}

// A row shows the highest of its thickenings: both say the same once corrected.
func TestApplyFocal(t *testing.T) {
	table := Table{measure.FocalLength: 1.5, measure.LucentLineAngle: 2}
	v := measure.Value{X: 3, U95: 0.5}
	found := []measure.Focal{{Level: v, Height: v, Length: v, Line: measure.LucentLine{Depth: v, Angle: v}}}
	r := measure.Record{}
	columns := []measure.Quantity{measure.FocalLevel, measure.FocalHeight, measure.FocalLength, measure.LucentLineDepthFraction, measure.LucentLineAngle}
	for _, q := range columns {
		r.Set(q, v.X, v.U95)
	}
	table.Apply(&r)
	table.ApplyFocal(found)
	f := found[0]
	for i, got := range []measure.Value{f.Level, f.Height, f.Length, f.Line.Depth, f.Line.Angle} {
		if want := r.Values[columns[i]]; got != want {
			t.Errorf("%s: finding %v, row %v", columns[i], got, want)
		}
	}
	if f.Length.U95 != 0.75 || f.Line.Angle.U95 != 1 || f.Level.U95 != 0.5 {
		t.Errorf("corrected to %+v", f)
	}
}

func TestReadWrite(t *testing.T) {
	want := Table{measure.BowCurvature: 1.25, measure.ShaftAxis: 0.8}
	var b bytes.Buffer
	if err := want.Write(&b); err != nil {
		t.Fatal(err)
	}
	got, err := Read(&b)
	if err != nil || len(got) != 2 || got[measure.BowCurvature] != 1.25 || got[measure.ShaftAxis] != 0.8 {
		t.Errorf("%v, %v", got, err)
	}
	for _, bad := range []string{"", "a,b\n", "column,factor\nx,0\n", "column,factor\nx,-1\n", "column,factor\nx,NaN\n", "column,factor\nx\n"} {
		if _, err := Read(strings.NewReader(bad)); err == nil {
			t.Errorf("%q accepted", bad)
		}
	}
}
