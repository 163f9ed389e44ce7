package job

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"reflect"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// whole is an answer with something in every place.
func whole() Answer {
	r := measure.Record{Source: "a.dcm", Frame: 2, Side: measure.Left, View: measure.AP, Status: measure.StatusPartial,
		Reasons: []measure.Reason{measure.BowNotResolved}, PixelMM: 0.143, Texts: map[string]string{"implant": "none"}}
	r.Set("bow_angle_deg", 1.0/3, 0.1)
	nan := math.NaN()
	return Answer{Source: "a.dcm",
		Femurs: []measure.Femur{{
			Record:   r,
			Geometry: &measure.Geometry{Source: "a.dcm", Frame: 2, Midline: []geom.PointPx{{X: 1.5, Y: -2}}},
			Profile: []measure.ProfileRow{
				{LevelMM: 1, PositiveCortexMM: 2, PositiveCortexU95MM: 3, NegativeCortexMM: 4, NegativeCortexU95MM: 5,
					OuterWidthMM: 6, OuterWidthU95MM: 7, CanalWidthMM: 8, CanalWidthU95MM: 9, MidlineOffsetMM: 10},
				{LevelMM: 2, PositiveCortexMM: nan, PositiveCortexU95MM: nan, NegativeCortexMM: 0, NegativeCortexU95MM: nan,
					OuterWidthMM: nan, OuterWidthU95MM: nan, CanalWidthMM: nan, CanalWidthU95MM: nan, MidlineOffsetMM: -1},
			},
			Focal: []measure.Focal{{Level: measure.Value{X: 92, U95: 1}, Surface: "periosteal", SNR: 7,
				Line: measure.LucentLine{State: "not_seen", FloorMM: 0.4}}},
			Nails: []measure.NailFit{{Name: "medium", TipGap: measure.Value{X: -0.5, U95: 2}}},
		}},
		Pictures: []Picture{{Frame: 2, Rows: 1, Cols: 3, Scale: 0.1, Grey: []byte{0, 128, 255}}},
		Crash:    "by a test", Pixels: []byte{1, 2}, Refused: "no such femur",
	}
}

// TestAnswerTravels: what a worker sends is what the front gets, with what was
// not measured kept apart from 0.
func TestAnswerTravels(t *testing.T) {
	want := whole()
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got Answer
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	rows, wantRows := got.Femurs[0].Profile, want.Femurs[0].Profile
	if len(rows) != len(wantRows) {
		t.Fatalf("%d profile rows", len(rows))
	}
	for i := range rows {
		g, w := reflect.ValueOf(rows[i]), reflect.ValueOf(wantRows[i])
		for k := range g.NumField() {
			x, y := g.Field(k).Float(), w.Field(k).Float()
			if x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
				t.Errorf("row %d, %s: %v, want %v", i, g.Type().Field(k).Name, x, y)
			}
		}
	}
	for v, i := reflect.ValueOf(want.Femurs[0]), 0; i < v.NumField(); i++ {
		if v.Field(i).IsZero() {
			t.Errorf("nothing in the femur's %s to travel", v.Type().Field(i).Name)
		}
	}
	for v, i := reflect.ValueOf(want), 0; i < v.NumField(); i++ {
		if v.Field(i).IsZero() {
			t.Errorf("nothing in the answer's %s to travel", v.Type().Field(i).Name)
		}
	}
	got.Femurs[0].Profile, want.Femurs[0].Profile = nil, nil
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// Names of files need not be UTF-8: Latin-1 umlauts arrive as they were sent.
func TestJobTravels(t *testing.T) {
	want := Job{Path: "/r\xf6ntgen/\u00e4.zip", Member: "m\xfcller\x00.dcm", Source: "a", Config: Settings{MaxFrames: 3}}
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got Job
	if err := json.Unmarshal(b, &got); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v arrives as %+v, %v", want, got, err)
	}
}

func TestWithSource(t *testing.T) {
	a := whole()
	b := a.WithSource("b.dcm")
	if b.Source != "b.dcm" || b.Femurs[0].Record.Source != "b.dcm" || b.Femurs[0].Geometry.Source != "b.dcm" {
		t.Errorf("%+v", b)
	}
	if a.Femurs[0].Record.Source != "a.dcm" || a.Femurs[0].Geometry.Source != "a.dcm" {
		t.Error("the first answer changed")
	}
}

func TestServe(t *testing.T) {
	measureIt := func(_ context.Context, j Job) Answer { return NotMeasured(j.Source, measure.BlankImage) }
	var out bytes.Buffer
	in := `{"source":"x"}` + "\n" + `{"source":"y"}` + "\n"
	if err := Serve(strings.NewReader(in), &out, measureIt); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 3 {
		t.Fatalf("%d lines, want a hello and two answers: %q", len(lines), lines)
	}
	var h Hello
	if err := json.Unmarshal([]byte(lines[0]), &h); err != nil || h.Algorithm != Algorithm {
		t.Errorf("hello %q: %v", lines[0], err)
	}
	for i, source := range []string{"x", "y"} {
		var a Answer
		if err := json.Unmarshal([]byte(lines[i+1]), &a); err != nil || a.Source != source || a.Femurs[0].Record.Reasons[0] != measure.BlankImage {
			t.Errorf("answer %q: %v", lines[i+1], err)
		}
	}
	if err := Serve(strings.NewReader("no job"), io.Discard, measureIt); err == nil {
		t.Error("no error for a broken job")
	}
	bad := func(_ context.Context, j Job) Answer {
		a := NotMeasured(j.Source, measure.BlankImage)
		a.Femurs[0].Record.Set("bow_angle_deg", math.NaN(), 1)
		return a
	}
	if err := Serve(strings.NewReader(in), io.Discard, bad); err == nil {
		t.Error("no error for a measured NaN")
	}
}
