package export

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// thickened is the tube with a focal thickening at row 600 of the picture.
func thickened(a tube) measure.Femur {
	f := a.femur()
	at := func(row float64) geom.PointPx {
		return geom.PointPx{X: (a.mid(row)+a.outer+0.5)/a.scale - 0.5, Y: (row+0.5)/a.scale - 0.5}
	}
	f.Geometry.Focal = []measure.FocalPx{{LevelMM: 92, HeightMM: 1.84, From: at(560), To: at(640), Peak: at(600)}}
	return f
}

// The bracket stands beside the outer edge of its side, along its length only.
func TestOverlayFocal(t *testing.T) {
	a := apTube()
	img, err := Overlay(a.picture(), []measure.Femur{thickened(a)})
	if err != nil {
		t.Fatal(err)
	}
	bracket := func(row int) int {
		edge := int(a.mid(float64(row)) + a.outer)
		return len(find(img, row, edge+bracketAway-3, edge+bracketAway+5, vermillion))
	}
	for row := 576; row < 636; row += 12 { // a level's label may cover the ends
		if bracket(row) == 0 {
			t.Errorf("row %d: no bracket beside the thickening", row)
		}
	}
	for _, row := range []int{500, 540, 660, 700} {
		if bracket(row) > 0 {
			t.Errorf("row %d: bracket beside no thickening", row)
		}
	}
}

// The panel says in words what the row says in codes: numbers rounded, their
// uncertainties rounded up.
func TestFindingsInWords(t *testing.T) {
	for _, c := range []struct {
		count  float64 // below 0: not looked for
		line   string
		depth  bool
		metal  string
		worded [][2]string
	}{
		{-1, "", false, "none", nil},
		{-1, "seen", false, "plate", [][2]string{{"dark line", "seen"}, {"metal", "plate"}}},
		{0, "not_seen", false, "none", [][2]string{{"focal thickenings", "none found"}, {"dark line", "not seen; one of 0.26 mm would show"}}},
		{1, "seen", true, "none", [][2]string{{"focal thickening", "1.8 ± 0.3 mm high, 21 ± 3 mm long"}, {"dark line", "crosses 61 ± 7 %, tilt -5 ± 4°"}}},
		{3, "not_assessable", false, "", [][2]string{{"3 focal thickenings, one", "1.8 ± 0.3 mm high, 21 ± 3 mm long"}, {"dark line", "not assessable"}}},
	} {
		r := measure.Record{Texts: map[string]string{"lucent_line": c.line, "implant": c.metal}}
		r.Set(measure.LucentLineFloor, 0.26, 0)
		if c.count >= 0 {
			r.Set(measure.FocalCount, c.count, 0)
		}
		if c.count > 0 {
			r.Set(measure.FocalHeight, 1.84, 0.21)
			r.Set(measure.FocalLength, 21.2, 2.1)
		}
		if c.depth {
			r.Set(measure.LucentLineDepthFraction, 0.61, 0.062)
			r.Set(measure.LucentLineAngle, -4.75, 3.1)
		}
		if got := findings(&r); !slices.Equal(got, c.worded) {
			t.Errorf("%q, want %q", got, c.worded)
		}
	}
	var unscaled measure.Record
	unscaled.Set(measure.FocalCount, 2, 0)
	if got, want := findings(&unscaled), [][2]string{{"focal thickenings", "2 found, no scale"}}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestGeometryFocal(t *testing.T) {
	g := &measure.Geometry{Source: "a.dcm", Frame: 1, Focal: []measure.FocalPx{
		{LevelMM: 92, HeightMM: 1.844, From: geom.PointPx{X: 1, Y: 2}, To: geom.PointPx{X: 3, Y: 4}, Peak: geom.PointPx{X: 2, Y: 3}},
		{LevelMM: math.NaN()},
		{From: geom.PointPx{X: 5, Y: 6}}, // no scale
	}}
	var b bytes.Buffer
	if err := WriteGeometry(&b, g); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Focal []struct {
			Level  *float64   `json:"level_mm"`
			Height *float64   `json:"height_mm"`
			From   [2]float64 `json:"from"`
			Peak   [2]float64 `json:"peak"`
		} `json:"focal"`
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Focal) != 2 {
		t.Fatalf("%d findings, want the finite ones: %s", len(got.Focal), b.Bytes())
	}
	if f := got.Focal[1]; f.Level != nil || f.Height != nil || f.From != [2]float64{5, 6} {
		t.Errorf("without a scale %+v", f)
	}
	if f := got.Focal[0]; *f.Level != 92 || *f.Height != 1.84 || f.From != [2]float64{1, 2} || f.Peak != [2]float64{2, 3} {
		t.Errorf("%+v", f)
	}
}
