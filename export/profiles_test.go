package export

import (
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"slices"
	"testing"

	"github.com/parquet-go/parquet-go"

	"shaftgauge/measure"
)

func profiles() []measure.Femur {
	nan := math.NaN()
	row := func(level, pos, neg float64) measure.ProfileRow {
		return measure.ProfileRow{LevelMM: level, PositiveCortexMM: pos, PositiveCortexU95MM: 0.311, NegativeCortexMM: neg, NegativeCortexU95MM: nan,
			OuterWidthMM: 28.4, OuterWidthU95MM: 0.1, CanalWidthMM: nan, CanalWidthU95MM: nan, MidlineOffsetMM: -1.5}
	}
	ap := measure.Femur{Record: measure.Record{Source: "=a", Frame: 1, Side: measure.Right, View: measure.AP}, Profile: []measure.ProfileRow{row(20, 7, 8), row(21, nan, 8.25), row(nan, 1, 1)}}
	lat := measure.Femur{Record: measure.Record{Source: "b", Frame: 2, View: measure.Lateral}, Profile: []measure.ProfileRow{row(0, 5, 6)}}
	unknown := measure.Femur{Record: measure.Record{Source: "c", Frame: 1}, Profile: []measure.ProfileRow{row(0, 5, 6)}}
	return []measure.Femur{ap, lat, unknown, {Record: measure.Record{Source: "d"}}}
}

func writeProfiles(t *testing.T, p *Profiles) {
	t.Helper()
	for _, f := range profiles() {
		if err := p.Write(&f, 1); err != nil {
			t.Fatal(err)
		}
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestProfilesParquet(t *testing.T) {
	var a, b bytes.Buffer
	writeProfiles(t, NewProfiles(&a))
	writeProfiles(t, NewProfiles(&b))
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("same profiles, other bytes")
	}
	file, err := parquet.OpenFile(bytes.NewReader(a.Bytes()), int64(a.Len()))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range file.Schema().Fields() {
		names = append(names, f.Name())
	}
	if want := ProfileTable.header(); !slices.Equal(names, want) {
		t.Errorf("columns %q, want those of profiles.csv %q", names, want)
	}
	r := parquet.NewReader(file)
	rows := make([]parquet.Row, 10)
	n, err := r.ReadRows(rows)
	if n != 4 || err != nil && err != io.EOF {
		t.Fatalf("%d rows, want 4; %v", n, err)
	}
	for _, test := range []struct {
		row  int
		col  string
		want any
	}{
		{0, "source", "=a"}, {0, "level_mm", 20.0}, {0, "lateral_cortex_mm", 7.0}, {0, "lateral_cortex_mm_u95", 0.311},
		{0, "medial_cortex_mm", 8.0}, {0, "medial_cortex_mm_u95", nil}, {0, "anterior_cortex_mm", nil}, {0, "canal_width_mm", nil},
		{1, "lateral_cortex_mm", nil}, {1, "lateral_cortex_mm_u95", nil}, {1, "medial_cortex_mm", 8.25},
		{2, "anterior_cortex_mm", 5.0}, {2, "posterior_cortex_mm", 6.0}, {2, "lateral_cortex_mm", nil},
		{3, "anterior_cortex_mm", nil}, {3, "lateral_cortex_mm", nil}, {3, "outer_width_mm", 28.4}, {3, "midline_offset_mm", -1.5},
	} {
		v := rows[test.row][slices.Index(names, test.col)]
		var got any
		switch {
		case v.IsNull():
		case v.Kind() == parquet.Double:
			got = v.Double()
		default:
			got = v.String()
		}
		if got != test.want {
			t.Errorf("row %d %s = %v, want %v", test.row, test.col, got, test.want)
		}
	}
}

func TestProfilesCSV(t *testing.T) {
	var b bytes.Buffer
	p, err := NewProfilesCSV(&b)
	if err != nil {
		t.Fatal(err)
	}
	writeProfiles(t, p)
	golden(t, "profiles.csv", b.Bytes())
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(rows) != 5 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
}
