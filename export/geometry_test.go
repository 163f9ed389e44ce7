package export

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

func TestWriteGeometry(t *testing.T) {
	g := &measure.Geometry{
		Source: "a/\"b\".dcm", Frame: 1, Side: measure.Right, View: measure.AP,
		Midline: []geom.PointPx{{X: 1, Y: 2}, {X: 1.005, Y: -0.001}, {X: math.NaN(), Y: 0}},
		Contours: map[string][]geom.PointPx{
			"outer_lateral": {{X: 10, Y: 0}}, "inner_medial": {{X: -3.14159, Y: 2.71828}}, "inner_lateral": nil, "outer_medial": {{X: math.Inf(1)}},
		},
		Landmarks: map[string]geom.PointPx{"lesser_trochanter": {X: 5, Y: 6}, "head_centre": {X: math.NaN()}},
		Circles:   map[string]measure.CirclePx{"bow": {C: geom.PointPx{X: -4000, Y: 3}, R: 4001.5}},
	}
	var b bytes.Buffer
	if err := WriteGeometry(&b, g); err != nil {
		t.Fatal(err)
	}
	golden(t, "geometry.json", b.Bytes())
	var m map[string]any
	if err := json.Unmarshal(b.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"source", "frame", "side", "view", "midline", "outer_lateral", "inner_medial", "landmarks", "circles"} {
		if _, ok := m[key]; !ok {
			t.Errorf("no key %s", key)
		}
	}
	for _, key := range []string{"inner_lateral", "outer_medial", "levels"} {
		if _, ok := m[key]; ok {
			t.Errorf("key %s for what was not found", key)
		}
	}
	if n := len(m["midline"].([]any)); n != 2 {
		t.Errorf("%d points, want 2", n)
	}
	if m["source"] != g.Source {
		t.Errorf("source %q", m["source"])
	}

	b.Reset()
	if err := WriteGeometry(&b, &measure.Geometry{Source: "x", Frame: 2}); err != nil {
		t.Fatal(err)
	}
	if got, want := b.String(), "{\n\"source\": \"x\",\n\"frame\": 2\n}\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
