package accuracy

import (
	"math"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// Worked intervals of Newcombe, Stat. Med. 17 (1998) 857–872, table I, method 3.
func TestWilson(t *testing.T) {
	for _, test := range []struct {
		r         Rate
		low, high float64
	}{
		{Rate{81, 263}, 0.2553, 0.3662}, {Rate{15, 148}, 0.0624, 0.1605}, {Rate{0, 20}, 0, 0.1611}, {Rate{1, 29}, 0.0061, 0.1718}, {Rate{}, 0, 1},
	} {
		low, high := test.r.Wilson()
		if math.Abs(low-test.low) > 5e-5 || math.Abs(high-test.high) > 5e-5 {
			t.Errorf("%v: %.4f to %.4f, want %.4f to %.4f", test.r, low, high, test.low, test.high)
		}
	}
}

// By the same formula: 0 of 20 leaves up to 16 %, so 20 of 20 reaches down to
// 84 % and excludes nothing; 15 of 148 reaches 16 %, so 133 of 148 is open below.
func TestCoverage(t *testing.T) {
	for _, test := range []struct {
		r    Rate
		want Coverage
	}{
		{Rate{95, 100}, CoverageGood}, {Rate{90, 100}, CoverageGood}, {Rate{98, 100}, CoverageGood},
		{Rate{20, 20}, CoverageOpen}, {Rate{133, 148}, CoverageOpen}, {Rate{15, 148}, CoverageLow}, {Rate{1000, 1000}, CoverageHigh}, {Rate{}, CoverageNone},
	} {
		if got := coverage(test.r); got != test.want {
			t.Errorf("%v: %s, want %s", test.r, got, test.want)
		}
	}
}

// A value that is exact by definition, 20 mm below the origin, covers nothing.
func TestExactCoversNothing(t *testing.T) {
	if s := spread([]deviation{{20, 0, 0, "a"}, {5, 1, 0, "b"}}); s.N != 2 || s.WithU95 != 1 || s.Covered != 0 {
		t.Errorf("%+v", s)
	}
}

// thick is a femur from the front with thickenings.
func thick(focal ...simulate.FocalTruth) simulate.FemurTruth {
	f := truthAt(500, measure.Right, nil)
	f.Focal = focal
	return f
}

func looked(focal ...measure.Focal) measure.Femur {
	r := rowAt(500, measure.Right, values{measure.FocalCount: {X: float64(len(focal))}})
	r.Focal = focal
	return r
}

func bump(level, height float64, line measure.LucentLine) measure.Focal {
	return measure.Focal{Level: measure.Value{X: level, U95: 2}, Height: measure.Value{X: height, U95: 0.2}, Length: measure.Value{X: 20, U95: 5},
		OuterShare: measure.Value{X: 0.9, U95: 0.2}, Surface: "periosteal", Line: line}
}

// focalFilms hold one of each case. By hand, of 1.2 mm or more: A found (1 mm
// off), B found 5 mm off, C not found, D not looked for, its femur without a
// row's answer; below: E of 0.8 mm found; F above the diaphysis does not count.
// A's line of 1 mm is seen, 3° off; B's of 0.9 mm is not, though the row claims
// a floor of 0.8 mm; E's of 0.5 mm is not assessable; C's of 0.7 mm has no
// finding. Of two films without a thickening one gets a finding, and on it a line.
func focalFilms() []Film {
	fields := func(level, height, width float64) simulate.FocalTruth {
		f := simulate.FocalTruth{LevelMM: level, HeightMM: height, LengthMM: 18, OuterFraction: 1}
		if width > 0 {
			f.LineWidthMM, f.LineDepth, f.LineAngleDeg = width, 0.5, 10
		}
		return f
	}
	seen := measure.LucentLine{State: "seen", Depth: measure.Value{X: 0.6, U95: 0.2}, Angle: measure.Value{X: 13, U95: 4}}
	ridged := thick() // the finding lies on the ridge, the callus has none
	ridged.Confounders = []simulate.ConfounderTruth{{Kind: "gluteal_ridge", LevelMM: 105, LengthMM: 40}, {Kind: "callus", LevelMM: 180, LengthMM: 40}}
	unscaled := film("c", []simulate.FemurTruth{thick(fields(60, 2, 0))}, looked())
	unscaled.Truth.ScaleBasis = "none"
	return []Film{
		film("a", []simulate.FemurTruth{thick(fields(100, 1.5, 1), fields(150, 2, 0.9), fields(200, 1.3, 0.7), fields(10, 3, 0))},
			looked(bump(101, 1.7, seen), bump(155, 1.9, measure.LucentLine{State: "not_seen", FloorMM: 0.8}))),
		film("a", []simulate.FemurTruth{thick(fields(100, 1.2, 0))}, rowAt(500, measure.Right, nil)),
		film("b", []simulate.FemurTruth{thick(fields(80, 0.8, 0.5))}, looked(bump(80, 0.7, measure.LucentLine{State: "not_assessable"}), bump(120, 1, measure.LucentLine{State: "not_seen"}))),
		film("b", []simulate.FemurTruth{ridged}, looked(bump(120, 1, seen))),
		film("b", []simulate.FemurTruth{thick()}, looked()),
		film("b", []simulate.FemurTruth{thick()}, rowAt(500, measure.Right, nil)),
		unscaled,
	}
}

func TestFocal(t *testing.T) {
	r := Compare(focalFilms(), Options{})
	f, l := r.Groups[0].Focal, r.Groups[0].Lines
	if want := []FocalClass{{"1.2 mm or more", 4, 3, 1, 1}, {"0.9 to 1.2 mm", 0, 0, 0, 0}, {"0.7 to 0.9 mm", 1, 1, 1, 0}, {"below 0.7 mm", 0, 0, 0, 0}}; !slices.Equal(f.Classes, want) {
		t.Errorf("classes %+v, want %+v", f.Classes, want)
	}
	if f.Films != 3 || f.Clear != (Rate{1, 2}) || f.Extra != 1 || f.Surface != (Rate{3, 3}) {
		t.Errorf("films %d, clear %v, extra %d, surface %v", f.Films, f.Clear, f.Extra, f.Surface)
	}
	if want := []Confounder{{"callus", Rate{0, 1}}, {"gluteal_ridge", Rate{1, 1}}}; !slices.Equal(f.Confounders, want) {
		t.Errorf("confounders %v", f.Confounders)
	}
	if math.Abs(f.Share.Bias+0.1) > 1e-12 {
		t.Errorf("outer share %g", f.Share.Bias)
	}
	if want := []LineClass{{"0.7 mm or wider", 3, 1, 1, 0, 1, 1}, {"0.4 to 0.7 mm", 1, 0, 0, 1, 0, 0}, {"narrower than 0.4 mm", 0, 0, 0, 0, 0, 0}}; !slices.Equal(l.Classes, want) {
		t.Errorf("lines %+v, want %+v", l.Classes, want)
	}
	// Looked at without a line: the findings at 120 mm of two films.
	if l.False != (Rate{1, 2}) || l.Tilt.N != 1 || math.Abs(l.Tilt.Bias-3) > 1e-12 {
		t.Errorf("false %v, tilt %+v", l.False, l.Tilt)
	}
	// Heights 0.2 too much, 0.1 too little twice; levels 1, 5 and 0 mm off.
	for _, test := range []struct {
		name                  string
		truths, values, extra int
		bias, median, covered float64
	}{
		{"focal_height_mm", 5, 5, 2, 0, 0.1, 1},
		{"focal_level_mm", 5, 5, 2, 2, 1, 2.0 / 3},
		{"lucent_line_angle_deg", 4, 2, 1, 3, 3, 1},
	} {
		i := slices.IndexFunc(r.Groups[0].Columns, func(c Column) bool { return c.Name == test.name })
		if i < 0 {
			t.Errorf("no column %s", test.name)
			continue
		}
		c := r.Groups[0].Columns[i]
		if c.Truths != test.truths || c.Values != test.values || c.Extra != test.extra || math.Abs(c.Bias-test.bias) > 1e-12 ||
			math.Abs(c.Median-test.median) > 1e-12 || math.Abs(c.Covered-test.covered) > 1e-12 {
			t.Errorf("%s: %+v", test.name, c)
		}
	}
	for name, want := range map[string]string{
		"thickenings of 1.2 mm or more found, level within 3 mm, where looked for": "33.3 % (1 of 3)",
		"thickenings of 1.2 mm or more found, level within 3 mm, of all":           "25.0 % (1 of 4)",
		"thickenings of 0.7 to 0.9 mm found, level within 3 mm, of all":            "100.0 % (1 of 1)",
		"films without a thickening that get one, of those looked at":              "50.0 % (1 of 2)",
		"lines of 0.7 mm or wider seen, where assessable":                          "50.0 % (1 of 2)",
		"lines of 0.7 mm or wider seen, of all":                                    "33.3 % (1 of 3)",
		"lines not seen though wider than the row's floor":                         "1 of 1",
		"lines seen where there is none":                                           "50.0 % (1 of 2)",
	} {
		if got := check(t, r, name).Got; got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	for _, want := range []string{"level +5.0 mm off", "200 mm: not found", "not looked for", "on no thickening", "on gluteal_ridge", "line 0.9 mm wide through 50 % of the cortex: not_seen"} {
		if !slices.ContainsFunc(r.Findings, func(f Finding) bool { return strings.Contains(f.What, want) }) {
			t.Errorf("no finding with %q in %q", want, r.Findings)
		}
	}
}

func check(t *testing.T, r *Report, name string) Check {
	t.Helper()
	for _, c := range r.Checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %q", name)
	return Check{}
}

// A row that counts from the top of the shaft, 40 mm below the truth's origin,
// has its thickening at 60 mm; the true level is 100 mm.
func TestFocalOfOtherOrigin(t *testing.T) {
	f := film("a", []simulate.FemurTruth{thick(simulate.FocalTruth{LevelMM: 100, HeightMM: 2})}, looked(bump(60, 2, measure.LucentLine{})))
	truth := &f.Truth.Femurs[0]
	truth.Contours["inner_lateral"], truth.Contours["inner_medial"] = truth.Contours["outer_lateral"], truth.Contours["outer_medial"]
	truth.Landmarks = map[string]geom.PointPx{"lesser_trochanter": {X: 500, Y: 200}} // 20 mm below the line's beginning
	row := &f.Rows[0]
	row.Record.LevelOrigin = "shaft_top"
	row.Geometry.Midline = row.Geometry.Midline[6:] // from 60 mm below it
	m := f.focal(pair{truth: 0, row: 0})
	if m.of[0] != 0 || math.Abs(m.off(0)) > 0.2 {
		t.Errorf("finding %d, shift %g", m.of[0], m.shift)
	}
}

func withMetal(kind string, metal *simulate.MetalTruth) simulate.FemurTruth {
	f := truthAt(500, measure.Right, nil)
	f.Implant, f.Metal = kind, metal
	f.Contours["inner_lateral"], f.Contours["inner_medial"] = f.Contours["outer_lateral"], f.Contours["outer_medial"]
	f.Landmarks = map[string]geom.PointPx{"lesser_trochanter": {X: 500, Y: 100}}
	return f
}

func named(kind string, v values) measure.Femur {
	r := rowAt(500, measure.Right, v)
	if kind != "" {
		r.Record.Texts = map[string]string{"implant": kind}
	}
	return r
}

// By hand: three implants on their films, of which two are flagged, one by its
// right name; one beside the film; a clip, which may be called anything; two
// femurs without metal, one of which gets an alarm. Metal touches the lateral
// edges from 40 to 60 mm: of the numbers there the lateral cortex and the outer
// width do touch, the medial cortex does not, nor does what lies at 100 mm.
func TestMetal(t *testing.T) {
	shown := &simulate.MetalTruth{Shown: true, Near: map[string][][2]float64{"outer_lateral": {{40, 60}}}}
	r := Compare([]Film{
		film("a", []simulate.FemurTruth{withMetal("plate", shown)}, named("plate", values{
			measure.CortexAt(measure.AP, true, 50): {X: 5}, measure.CortexAt(measure.AP, false, 50): {X: 5}, measure.CanalWidthAt(50): {X: 9},
			measure.OuterWidthAt(50): {X: 28}, measure.CortexAt(measure.AP, true, 100): {X: 5}, measure.BowCurvature: {X: 1}})),
		film("a", []simulate.FemurTruth{withMetal("stem", &simulate.MetalTruth{Shown: true})}, named("other", nil)),
		film("a", []simulate.FemurTruth{withMetal("intramedullary", nil)}, named("none", nil)),
		film("b", []simulate.FemurTruth{withMetal("other", &simulate.MetalTruth{})}, named("none", nil)),
		film("b", []simulate.FemurTruth{withMetal("none", shown)}, named("other", nil)),
		film("b", []simulate.FemurTruth{withMetal("none", nil)}, named("none", nil)),
		film("b", []simulate.FemurTruth{withMetal("none", nil)}, named("plate", nil)),
		film("b", []simulate.FemurTruth{withMetal("plate", nil)}), // no row at all
	}, Options{})
	m := r.Groups[0].Metal
	if m.Flagged != (Rate{2, 4}) || m.Right != (Rate{1, 4}) || m.Alarms != (Rate{1, 2}) || m.Touching != (Rate{2, 5}) {
		t.Errorf("flagged %v, right %v, alarms %v, touching %v", m.Flagged, m.Right, m.Alarms, m.Touching)
	}
	if want := []Told{{"intramedullary", "none", 1}, {"loose", "other", 1}, {"none", "none", 1}, {"none", "plate", 1}, {"off film", "none", 1},
		{"plate", "(no row)", 1}, {"plate", "plate", 1}, {"stem", "other", 1}}; !slices.Equal(m.Kinds, want) {
		t.Errorf("kinds %v, want %v", m.Kinds, want)
	}
	if c := check(t, r, "implants flagged"); c.Verdict != Fail {
		t.Errorf("%+v", c)
	}
	if c := check(t, r, "numbers of cortex, canal and width that touch metal"); c.Got != "2 of 5" || c.Verdict != Fail {
		t.Errorf("%+v", c)
	}
}

func TestRefusals(t *testing.T) {
	chest := func(rows ...measure.Femur) Film {
		f := film("negative", nil, rows...)
		f.Truth.Content = "chest"
		return f
	}
	broken := truthAt(500, measure.Right, nil)
	broken.Broken = true
	said := func(status measure.Status, v values, why ...measure.Reason) measure.Femur {
		r := rowAt(500, measure.Right, v)
		r.Record.Status, r.Record.Reasons = status, why
		return r
	}
	turned := truthAt(500, measure.Right, nil)
	turned.Rotation = -17
	r := Compare([]Film{
		chest(), chest(said(measure.StatusNotMeasured, nil)), chest(said(measure.StatusPartial, values{measure.ShaftAxis: {X: 1}})),
		film("broken", []simulate.FemurTruth{broken}, said(measure.StatusNotMeasured, nil, measure.ShaftDiscontinuous)),
		film("broken", []simulate.FemurTruth{broken}, said(measure.StatusPartial, values{measure.BowCurvature: {X: 1}})),
		film("turned", []simulate.FemurTruth{turned}, said(measure.StatusMeasured, nil, measure.LegTurned)),
		film("turned", []simulate.FemurTruth{truthAt(500, measure.Right, nil)}, said(measure.StatusMeasured, nil, measure.ShaftDiscontinuous)),
	}, Options{})
	g := r.Groups[0]
	if want := []Kind{{"chest", 3, 1, 1}}; !slices.Equal(g.Kinds, want) {
		t.Errorf("kinds %v", g.Kinds)
	}
	if *g.Broken != (Broken{Flagged: Rate{1, 2}, Bows: 1, False: Rate{1, 2}}) {
		t.Errorf("broken %+v", *g.Broken)
	}
	if want := []TurnedClass{{"below 5 deg", Rate{0, 1}}, {"15 to 20 deg", Rate{1, 1}}}; !slices.Equal(g.Turned, want) {
		t.Errorf("turned %v", g.Turned)
	}
	if want := []Count{{"measured", 2}, {"not_measured", 2}, {"partial", 2}}; !slices.Equal(g.Status, want) {
		t.Errorf("status %v", g.Status)
	}
	if want := []Count{{"shaft_discontinuous", 2}, {"leg_turned", 1}}; !slices.Equal(g.Reasons, want) {
		t.Errorf("reasons %v", g.Reasons)
	}
	// The broken femurs' rows lie on no true line, and are none of a femur less.
	if g.Tally.Femurs != 2 || g.Tally.Found != 2 || g.Tally.RowsWithoutTruth != 1 {
		t.Errorf("tally %+v", g.Tally)
	}
	for name, want := range map[string]string{"films without a femur that have a number": "1 of 3", "broken femurs with a bow": "1 of 2"} {
		if c := check(t, r, name); c.Got != want || c.Verdict != Fail {
			t.Errorf("%+v, want %s", c, want)
		}
	}
}

// Of turned films 5 of 20 femurs are found, elsewhere 20 of 20: not by chance.
func TestApart(t *testing.T) {
	var films []Film
	for i := range 20 {
		films = append(films, film("ap_full", []simulate.FemurTruth{truthAt(500, measure.Right, nil)}, rowAt(500, measure.Right, nil)))
		f := film("turned", []simulate.FemurTruth{truthAt(500, measure.Right, truths{measure.CortexAt(measure.AP, true, 50): 5})})
		if i < 5 {
			f.Rows = []measure.Femur{rowAt(500, measure.Right, values{measure.CortexAt(measure.AP, true, 50): {X: 6, U95: 2}})}
		}
		films = append(films, f)
	}
	r := Compare(films, Options{})
	for name, want := range map[string]Verdict{
		"turned films: femurs found, rest beside it":                    Fail,
		"turned films: cortical thickness, 95th percentile |error|":     Fail,
		"low dose: femurs found, rest beside it":                        NoData,
		"groups whose u95, all columns, holds too few or too many":      Pass,
		"columns with fewer truths whose u95 holds too few or too many": Pass,
	} {
		if c := check(t, r, name); c.Verdict != want {
			t.Errorf("%+v, want %s", c, want)
		}
	}
}

// Of an AP row that has all its numbers but two, one by a reason of the row, one
// cell is unexplained, of two; what belongs to thickenings is not missing where
// none was found.
func TestEmptyCells(t *testing.T) {
	r := measure.Record{View: measure.AP, Reasons: []measure.Reason{measure.BowNotResolved, measure.ScaleDetector}}
	for _, col := range measure.Columns {
		if q := measure.Quantity(col.Name); col.Uncertain && measure.Gives(measure.AP, q) && !strings.HasPrefix(col.Name, "focal_") && !strings.HasPrefix(col.Name, "lucent_") {
			r.Set(q, 1, 1)
		}
	}
	r.Set(measure.FocalCount, 0, 0)
	delete(r.Values, measure.BowRadius)
	delete(r.Values, measure.HeadDiameter)
	c := newCollection()
	c.addEmpty(&r)
	if c.unexplained != (Rate{1, 2}) {
		t.Errorf("unexplained %v, want 1 of 2", c.unexplained)
	}
}
