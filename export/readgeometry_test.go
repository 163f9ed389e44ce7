package export

import (
	"bytes"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

func TestReadGeometry(t *testing.T) {
	g := &measure.Geometry{
		Source: "a/\"b\".dcm", Frame: 2, Side: measure.Right, View: measure.AP,
		Midline:   []geom.PointPx{{X: 1, Y: 2}, {X: 1.25, Y: -0.5}},
		Contours:  map[string][]geom.PointPx{"outer_lateral": {{X: 10, Y: 0}}, "inner_medial": {{X: -3.25, Y: 2.75}, {X: 4, Y: 5}}},
		Landmarks: map[string]geom.PointPx{"lesser_trochanter": {X: 5, Y: 6}},
		Circles:   map[string]measure.CirclePx{"bow": {C: geom.PointPx{X: -4000, Y: 3}, R: 4001.5}},
		Levels:    map[string][2]geom.PointPx{"50": {{X: 1, Y: 2}, {X: 3, Y: 4}}, "isthmus": {{X: 5, Y: 6}, {X: 7, Y: 8}}},
		Focal:     []measure.FocalPx{{LevelMM: 92, HeightMM: 1.75, From: geom.PointPx{X: 1, Y: 2}, To: geom.PointPx{X: 3, Y: 4}, Peak: geom.PointPx{X: 5, Y: 6}}},
	}
	var written, again bytes.Buffer
	if err := WriteGeometry(&written, g); err != nil {
		t.Fatal(err)
	}
	read, err := ReadGeometry(bytes.NewReader(written.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if err := WriteGeometry(&again, read); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(written.Bytes(), again.Bytes()) {
		t.Errorf("wrote\n%s\nread and wrote\n%s", &written, &again)
	}
	if len(read.Midline) != 2 || read.Midline[1] != g.Midline[1] || read.Focal[0] != g.Focal[0] || read.Circles["bow"] != g.Circles["bow"] || read.Levels["50"] != g.Levels["50"] {
		t.Errorf("read %+v", read)
	}
	for _, bad := range []string{"", "[]", `{"midline": 3}`, `{"levels": {"50": [1]}`, `{"circles": []}`} {
		if _, err := ReadGeometry(strings.NewReader(bad)); err == nil || !strings.HasPrefix(err.Error(), "export: geometry") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
