package accuracy

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

var update = flag.Bool("update", false, "rewrite golden files")

// Worked by hand from Hyndman and Fan's definition 7: position (n−1)p + 1 among
// the order statistics, linear between them. For n = 10 and p = 0.95 that is
// 9.55, so 9 + 0.55·(10 − 9).
func TestQuantile(t *testing.T) {
	ten := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	for _, test := range []struct {
		x       []float64
		p, want float64
	}{
		{ten, 0.95, 9.55}, {ten, 0.5, 5.5}, {ten, 0, 1}, {ten, 1, 10},
		{[]float64{1, 2, 3, 4}, 0.25, 1.75},
		{[]float64{2, 4, 9}, 0.5, 4},
		{[]float64{7}, 0.95, 7},
	} {
		if got := quantile(test.x, test.p); math.Abs(got-test.want) > 1e-12 {
			t.Errorf("quantile(%v, %g) = %g, want %g", test.x, test.p, got, test.want)
		}
	}
	if got := quantile(nil, 0.5); !math.IsNaN(got) {
		t.Errorf("quantile of nothing = %g", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 30).Draw(t, "x")
		slices.Sort(x)
		p, q := rapid.Float64Range(0, 1).Draw(t, "p"), rapid.Float64Range(0, 1).Draw(t, "q")
		a, b := quantile(x, min(p, q)), quantile(x, max(p, q))
		if a > b+1e-6 || a < x[0] || b > x[len(x)-1] {
			t.Fatalf("quantiles %g and %g of %v", a, b, x)
		}
	})
}

// By hand: errors 1, −2, 3, −4 have the mean −0.5; their sizes 1, 2, 3, 4 the
// median 2.5 and the 95th percentile 1 + 3·0.95 = 3.85; two of three u95 hold.
func TestSpread(t *testing.T) {
	got := spread([]deviation{{0, 1, 1, "a"}, {0, -2, 1.9, "b"}, {0, 3, 5, "c"}, {0, -4, math.NaN(), "d"}})
	want := Spread{N: 4, Bias: -0.5, Median: 2.5, P95: 3.85, Covered: 2.0 / 3, WithU95: 3, U95: 1.9, Worst: "d"}
	if got.N != want.N || got.WithU95 != want.WithU95 || got.U95 != want.U95 || got.Worst != want.Worst || math.Abs(got.Bias-want.Bias) > 1e-12 ||
		math.Abs(got.Median-want.Median) > 1e-12 || math.Abs(got.P95-want.P95) > 1e-12 || math.Abs(got.Covered-want.Covered) > 1e-12 {
		t.Errorf("spread %+v, want %+v", got, want)
	}
}

// truthAt is a straight femur of 28 mm outer width whose mid-line runs down
// column x of a film of 0.2 mm pixels.
func truthAt(x float64, side measure.Side, values map[measure.Quantity]float64) simulate.FemurTruth {
	f := simulate.FemurTruth{Side: side, View: measure.AP, LevelOrigin: "lesser_trochanter", Values: values,
		Contours: map[string][]geom.PointPx{}, DiaphysisFrom: 20, DiaphysisTo: 260}
	f.Midline, f.Contours = lines(x, 70)
	return f
}

func lines(x, half float64) ([]geom.PointPx, map[string][]geom.PointPx) {
	down := func(x float64) (p []geom.PointPx) {
		for y := 100.0; y <= 1600; y += 50 {
			p = append(p, geom.PointPx{X: x, Y: y})
		}
		return p
	}
	return down(x), map[string][]geom.PointPx{"outer_lateral": down(x + half), "outer_medial": down(x - half)}
}

func rowAt(x float64, side measure.Side, values map[measure.Quantity]measure.Value) measure.Femur {
	f := measure.Femur{Record: measure.Record{Source: "a", Frame: 1, Side: side, View: measure.AP, Status: measure.StatusMeasured,
		ScaleBasis: "calibrated", LevelOrigin: "lesser_trochanter", Values: values}, Geometry: &measure.Geometry{}}
	f.Geometry.Midline, f.Geometry.Contours = lines(x, 70)
	return f
}

func film(group string, truth []simulate.FemurTruth, rows ...measure.Femur) Film {
	return Film{Source: "a", Truth: simulate.Truth{Group: group, ScaleBasis: "calibrated", Spacing: geom.Spacing{Y: 0.2, X: 0.2}, Femurs: truth}, Rows: rows}
}

func TestMatch(t *testing.T) {
	truth := []simulate.FemurTruth{truthAt(500, measure.Right, nil), truthAt(1500, measure.Left, nil)}
	upside := rowAt(1510, measure.Left, nil)
	slices.Reverse(upside.Geometry.Midline)
	mirrored := rowAt(505, measure.Right, nil)
	c := mirrored.Geometry.Contours
	c["outer_lateral"], c["outer_medial"] = c["outer_medial"], c["outer_lateral"]
	short := rowAt(520, measure.Right, nil)
	short.Geometry.Midline = short.Geometry.Midline[10:14]
	refused := rowAt(500, measure.Right, nil)
	refused.Record.Status = measure.StatusNotMeasured
	for _, test := range []struct {
		name string
		rows []measure.Femur
		want []pair
	}{
		{"other order", []measure.Femur{rowAt(1495, measure.Left, nil), rowAt(510, measure.Right, nil)}, []pair{{0, 1, false, false}, {1, 0, false, false}}},
		{"not found", []measure.Femur{rowAt(1495, measure.Left, nil)}, []pair{{0, -1, false, false}, {1, 0, false, false}}},
		{"beside the bone", []measure.Femur{rowAt(575, measure.Right, nil)}, []pair{{0, -1, false, false}, {1, -1, false, false}}},
		{"upside down and mirrored", []measure.Femur{mirrored, upside}, []pair{{0, 0, false, true}, {1, 1, true, false}}},
		{"two on one", []measure.Femur{short, rowAt(500, measure.Right, nil)}, []pair{{0, 1, false, false}, {1, -1, false, false}}},
		{"part of a shaft", []measure.Femur{short}, []pair{{0, 0, false, false}, {1, -1, false, false}}},
		{"not measured", []measure.Femur{refused}, []pair{{0, -1, false, false}, {1, -1, false, false}}},
		{"no rows", nil, []pair{{0, -1, false, false}, {1, -1, false, false}}},
	} {
		for _, s := range []geom.Spacing{{Y: 0.2, X: 0.2}, {}} { // also without a scale
			if got := match(truth, s, test.rows); !slices.Equal(got, test.want) {
				t.Errorf("%s: pairs %v, want %v", test.name, got, test.want)
			}
		}
	}
}

type values = map[measure.Quantity]measure.Value
type truths = map[measure.Quantity]float64

// films are few enough to work out every figure by hand.
func films() []Film {
	two := film("both_thighs",
		[]simulate.FemurTruth{
			truthAt(500, measure.Right, truths{measure.BowCurvature: 1.00, measure.BowRadius: 1000, measure.ShaftAxis: 89.5, measure.VisibleTo: 260, measure.OuterWidthAt(50): 28}),
			truthAt(1500, measure.Left, truths{measure.BowCurvature: -0.50, measure.BowRadius: 2000, measure.OuterWidthAt(50): 30, measure.BowAngle: 4}),
		},
		rowAt(1500, measure.Right, values{measure.BowCurvature: {X: -0.535, U95: 0.03}, measure.OuterWidthAt(50): {X: 30.02, U95: 0.1}}),
		rowAt(500, "", values{measure.BowCurvature: {X: 1.02, U95: 0.03}, measure.BowRadius: {X: 980.4, U95: 30}, measure.ShaftAxis: {X: -89.5, U95: 1.1},
			measure.VisibleTo: {X: 250, U95: 1}, measure.OuterWidthAt(50): {X: 28.04, U95: 0.1}, measure.CanalWidthAt(50): {X: 12, U95: 1}}),
	)
	two.Rows[1].Record.LevelOrigin = "shaft_top"
	missed := film("hip", []simulate.FemurTruth{truthAt(500, measure.Right, truths{measure.BowCurvature: 0.9})})
	none := film("other", nil, rowAt(700, measure.Right, values{measure.OuterWidthAt(50): {X: 1, U95: 1}}))
	quiet := film("other", nil, measure.Femur{Record: measure.Record{Source: "q", Frame: 1, Status: measure.StatusNotMeasured}})
	return []Film{two, missed, none, quiet}
}

func TestCompare(t *testing.T) {
	r := Compare(films(), Options{Clean: []string{"both_thighs"}})
	var names []string
	for _, g := range r.Groups {
		names = append(names, g.Name)
	}
	if !slices.Equal(names, []string{"all", "both_thighs", "hip", "other"}) {
		t.Fatalf("groups %v", names)
	}
	if got, want := r.Groups[0].Tally, (Tally{Films: 4, FilmsWithoutRow: 1, Femurs: 3, Found: 2, Rows: 3, RowsWithoutTruth: 1,
		SideWrong: 1, ViewRight: 2, OriginDiffers: 1}); got != want {
		t.Errorf("tally %+v, want %+v", got, want)
	}
	if want := []Finding{
		{"a", "L AP femur, 240 mm of diaphysis: side R"},
		{"a", "no row"}, {"a", "R AP femur, 240 mm of diaphysis: not found"}, {"a", "row 1: on no true femur"},
	}; !slices.Equal(r.Findings, want) {
		t.Errorf("findings %q, want %q", r.Findings, want)
	}
	for _, test := range []struct {
		name, unit                         string
		truths, values, extra, n           int
		bias, median, p95, covered, tolera float64
	}{
		// Errors 0.02 and −0.035: sizes at 0.95 are 0.02 + 0.95·0.015.
		{"bow_curvature_per_m", "m-1", 3, 2, 0, 2, -0.0075, 0.0275, 0.03425, 0.5, 1e-9},
		{"bow_radius_mm", "mm", 2, 1, 0, 1, -19.6, 19.6, 19.6, 1, 1e-9},
		{"bow_radius_mm", "%", 2, 1, 0, 1, -1.96, 1.96, 1.96, 1, 1e-9},
		// A line at −89.5° is 1° from one at 89.5°.
		{"shaft_axis_deg", "deg", 1, 1, 0, 1, 1, 1, 1, 1, 1e-9},
		// Another level origin: counted, not compared.
		{"visible_to_mm", "mm", 1, 1, 0, 0, math.NaN(), math.NaN(), math.NaN(), math.NaN(), 0},
		{"outer_width_50_mm", "mm", 2, 2, 0, 2, 0.03, 0.03, 0.039, 1, 1e-9},
		{"canal_width_50_mm", "mm", 0, 1, 1, 0, math.NaN(), math.NaN(), math.NaN(), math.NaN(), 0},
		{"bow_angle_deg", "deg", 1, 0, 0, 0, math.NaN(), math.NaN(), math.NaN(), math.NaN(), 0},
	} {
		i := slices.IndexFunc(r.Groups[0].Columns, func(c Column) bool { return c.Name == test.name && c.Unit == test.unit })
		if i < 0 {
			t.Errorf("no column %s (%s)", test.name, test.unit)
			continue
		}
		c := r.Groups[0].Columns[i]
		if c.Truths != test.truths || c.Values != test.values || c.Extra != test.extra || c.N != test.n {
			t.Errorf("%s: counts %d %d %d %d", test.name, c.Truths, c.Values, c.Extra, c.N)
		}
		for _, v := range [][2]float64{{c.Bias, test.bias}, {c.Median, test.median}, {c.P95, test.p95}, {c.Covered, test.covered}} {
			if !(math.IsNaN(v[0]) && math.IsNaN(v[1])) && !(math.Abs(v[0]-v[1]) <= test.tolera) {
				t.Errorf("%s: %g, want %g", test.name, v[0], v[1])
			}
		}
	}
}

func TestChecks(t *testing.T) {
	r := Compare(films(), Options{Clean: []string{"both_thighs"}})
	verdict := map[string]Verdict{}
	for _, c := range r.Checks {
		verdict[c.Name] = c.Verdict
	}
	for name, want := range map[string]Verdict{
		"femurs found on clean films": Pass,
		"films without a row":         Fail,
		"rows on no true femur":       Fail,
		"wrong sides on rows":         Fail,
		"wrong views on rows":         Pass,
		"outer width, |bias|":         Pass,
		"cortical thickness, |bias|":  NoData,
		"canal width, median |error|": NoData,
		"bow curvature, median |error|, 200 mm of diaphysis or more":       Pass,
		"bow radius, 95th percentile |error|, 200 mm of diaphysis or more": Pass,
		"bow angle, median |error|, 200 mm of diaphysis or more":           NoData,
	} {
		if got, ok := verdict[name]; !ok || got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if all := Compare(films(), Options{}); all.Checks[0].Verdict != Fail { // 2 of 3 with every group taken for clean
		t.Errorf("found %v", all.Checks[0])
	}
	short := films()
	for i := range short {
		for j := range short[i].Truth.Femurs {
			short[i].Truth.Femurs[j].DiaphysisTo = 219
		}
	}
	for _, c := range Compare(short, Options{}).Checks {
		if strings.Contains(c.Name, "200 mm") && c.Verdict != NoData {
			t.Errorf("%s on 199 mm: %s", c.Name, c.Verdict)
		}
	}
}

// The limits themselves pass, a little more fails.
func TestCheckLimits(t *testing.T) {
	for _, test := range []struct {
		c    Check
		want Verdict
	}{
		{atLeast("", 0.98, 98, 100), Pass}, {atLeast("", 0.98, 979, 1000), Fail}, {atLeast("", 0.98, 0, 0), NoData},
		{none("", 0, 5), Pass}, {none("", 1, 5), Fail},
		{within("", 0.2, 0.2, 1, 2, ""), Pass}, {within("", 0.2001, 0.2, 1, 2, ""), Fail}, {within("", math.NaN(), 0.2, 0, 2, ""), NoData},
		{covered("", Spread{WithU95: 10, Covered: 0.9}), Pass}, {covered("", Spread{WithU95: 10, Covered: 0.99}), Fail},
		{covered("", Spread{WithU95: 10, Covered: 0.89}), Fail}, {covered("", Spread{}), NoData},
	} {
		if test.c.Verdict != test.want {
			t.Errorf("%+v, want %s", test.c, test.want)
		}
	}
}

func TestReportFormats(t *testing.T) {
	r := Compare(films(), Options{})
	for _, test := range []struct {
		name  string
		write func(*Report, *bytes.Buffer) error
	}{
		{"report.txt", func(r *Report, b *bytes.Buffer) error { return r.WriteText(b) }},
		{"report.csv", func(r *Report, b *bytes.Buffer) error { return r.WriteCSV(b) }},
		{"report.json", func(r *Report, b *bytes.Buffer) error { return r.WriteJSON(b) }},
	} {
		var b, again bytes.Buffer
		if err := test.write(r, &b); err != nil {
			t.Fatal(err)
		}
		if err := test.write(Compare(films(), Options{}), &again); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
			t.Errorf("%s: other bytes for the same films", test.name)
		}
		path := filepath.Join("testdata", test.name)
		if *update {
			if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s changed (go test ./pipeline/accuracy -update if meant)\ngot:\n%s", path, b.Bytes())
		}
		if strings.Contains(b.String(), "NaN") {
			t.Errorf("%s holds NaN", test.name)
		}
		switch filepath.Ext(test.name) {
		case ".json":
			if !json.Valid(b.Bytes()) {
				t.Error("no JSON")
			}
		case ".csv":
			if _, err := csv.NewReader(&b).ReadAll(); err != nil {
				t.Error(err)
			}
		}
	}
}
