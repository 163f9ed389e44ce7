package measure

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// row is a measured AP row of patient p, study s on a date.
func row(source, patient, study, date string, side Side, values map[Quantity]Value) Femur {
	r := Record{Source: source, Frame: 1, PatientKey: patient, StudyUID: study, StudyDate: date, Side: side, View: AP,
		Status: StatusMeasured, ScaleBasis: "calibrated", LevelOrigin: "lesser_trochanter"}
	r.Set(VisibleFrom, 20, 1)
	r.Set(VisibleTo, 250, 1)
	for q, v := range values {
		r.Values[q] = v
	}
	return Femur{Record: r}
}

// difference finds a quantity in a pair.
func difference(t *testing.T, femurs []Femur, p Pair, q Quantity) Difference {
	t.Helper()
	i := slices.IndexFunc(p.Differences(femurs), func(d Difference) bool { return d.Quantity == q })
	if i < 0 {
		t.Fatalf("no %s in the pair", q)
	}
	return p.Differences(femurs)[i]
}

// The root of the sum of squares of two uncorrelated uncertainties: JCGM
// 100:2008, 5.1.2 with both sensitivity coefficients 1 in size. By hand:
// √(1.5² + 2²) = 2.5, √(0.3² + 0.4²) = 0.5, √(5² + 12²) = 13.
func TestDifferences(t *testing.T) {
	right := row("a.dcm", "p", "s", "20240101", Right, map[Quantity]Value{
		NeckShaftAngle: {131, 1.5}, HeadDiameter: {47, 0.3}, IsthmusLevel: {100, 5}, CanalFlareIndex: {3.5, 0.2}, ShaftAxis: {4, 0.1}})
	left := row("b.dcm", "p", "s", "20240101", Left, map[Quantity]Value{
		NeckShaftAngle: {125, 2}, HeadDiameter: {47.4, 0.4}, IsthmusLevel: {113, 12}, FemoralOffset: {40, 1}, ShaftAxis: {-4, 0.1}})
	femurs := []Femur{left, right}
	pairs := Pairs(femurs)
	if len(pairs) != 1 || pairs[0].Kind != Sides || pairs[0].A != 1 || pairs[0].B != 0 {
		t.Fatalf("pairs %+v, want right (1) against left (0)", pairs)
	}
	for _, want := range []struct {
		q          Quantity
		x, u95     float64
		resolvable Resolvable
		reasons    []Reason
	}{
		{NeckShaftAngle, 6, 2.5, Resolved, []Reason{NeckShaftTolerance}},
		{HeadDiameter, -0.4, 0.5, NotResolved, nil},
		{IsthmusLevel, -13, 13, NotResolved, nil}, // not more than its uncertainty
	} {
		d := difference(t, femurs, pairs[0], want.q)
		if math.Abs(d.Less.X-want.x) > 1e-12 || math.Abs(d.Less.U95-want.u95) > 1e-12 || d.Resolvable != want.resolvable || !slices.Equal(d.Reasons, want.reasons) {
			t.Errorf("%s: %+v %q %v, want %v ± %v %q %v", want.q, *d.Less, d.Resolvable, d.Reasons, want.x, want.u95, want.resolvable, want.reasons)
		}
	}
	if d := difference(t, femurs, pairs[0], ShaftAxis); d.Less != nil || !slices.Equal(d.Reasons, []Reason{FilmOnly}) {
		t.Errorf("shaft axis: %+v", d)
	}
	for _, d := range pairs[0].Differences(femurs) {
		if d.Quantity == FemoralOffset || d.Quantity == CanalFlareIndex {
			t.Errorf("%s is on one side only and has a row", d.Quantity)
		}
	}
}

func TestNotComparable(t *testing.T) {
	values := map[Quantity]Value{BowApex: {140, 4}, BowRadius: {900, 50}, BowCurvature: {1.1, 0.05}, HeadDiameter: {47, 0.5}, IsthmusCorticalIndex: {0.5, 0.02}, FocalHeight: {2, 0.3}, FocalLevel: {80, 1}, FocalLength: {20, 2}}
	for _, c := range []struct {
		name   string
		change func(r *Record)
		q      Quantity
		want   Reason // none: compared
	}{
		{"same", func(*Record) {}, HeadDiameter, ""},
		{"other basis", func(r *Record) { r.ScaleBasis = "detector" }, HeadDiameter, ScaleBasisDiffers},
		{"other basis, curvature", func(r *Record) { r.ScaleBasis = "detector" }, BowCurvature, ScaleBasisDiffers},
		{"other basis, ratio", func(r *Record) { r.ScaleBasis = "detector" }, IsthmusCorticalIndex, ""},
		{"other origin", func(r *Record) { r.LevelOrigin = "shaft_top" }, BowApex, LevelsNotAlike},
		{"other origin, length", func(r *Record) { r.LevelOrigin = "shaft_top" }, HeadDiameter, ""},
		{"cut at half", func(r *Record) { r.AddReason(DiaphysisCut); r.Set(VisibleTo, 140, 1) }, BowRadius, StretchDiffers},
		{"cut at nearly the same place", func(r *Record) { r.AddReason(DiaphysisCut); r.Set(VisibleTo, 240, 1) }, BowRadius, ""},
		{"whole, ends found elsewhere", func(r *Record) { r.Set(VisibleTo, 140, 1) }, BowCurvature, StretchDiffers},
		{"cut, levels unlike", func(r *Record) { r.AddReason(DiaphysisCut); r.LevelOrigin = "shaft_top" }, BowCurvature, StretchDiffers},
		{"bow to the other side", func(r *Record) { r.Set(BowCurvature, -1.1, 0.05) }, BowRadius, BowsOpposite},
		{"thickening mirrored", func(r *Record) { r.Set(FocalLevel, 129, 1) }, FocalHeight, ""},
		{"thickening elsewhere", func(r *Record) { r.Set(FocalLevel, 131, 1) }, FocalHeight, OtherThickening},
	} {
		t.Run(c.name, func(t *testing.T) {
			left := row("b.dcm", "p", "s", "", Left, values)
			c.change(&left.Record)
			femurs := []Femur{row("a.dcm", "p", "s", "", Right, values), left}
			d := difference(t, femurs, Pairs(femurs)[0], c.q)
			if c.want == "" != (d.Less != nil) || c.want != "" && !slices.Equal(d.Reasons, []Reason{c.want}) || c.want != "" && d.Resolvable != "" {
				t.Errorf("%+v, want reason %q", d, c.want)
			}
		})
	}
}

// The trochanter's profile tells that a leg was turned: √(0.03² + 0.04²) = 0.05.
func TestTurnedDifferently(t *testing.T) {
	for _, c := range []struct {
		profile float64
		want    []Reason
	}{{0.14, nil}, {0.16, []Reason{TurnedDifferently}}} {
		right := row("a", "p", "s", "", Right, map[Quantity]Value{BowCurvature: {0.5, 0.1}, HeadDiameter: {50, 0.3}, TrochanterProfile: {0.1, 0.03}})
		left := row("b", "p", "s", "", Left, map[Quantity]Value{BowCurvature: {0.2, 0.1}, HeadDiameter: {50, 0.3}, TrochanterProfile: {c.profile, 0.04}})
		femurs := []Femur{right, left}
		p := Pairs(femurs)[0]
		if d := difference(t, femurs, p, BowCurvature); d.Resolvable != Resolved || !slices.Equal(d.Reasons, c.want) {
			t.Errorf("profile %g: %+v", c.profile, d)
		}
		if d := difference(t, femurs, p, HeadDiameter); len(d.Reasons) > 0 { // a sphere looks the same from all sides
			t.Errorf("head: %v", d.Reasons)
		}
	}
}

// The magnification of two films of detector-plane lengths is in no
// uncertainty, so that nothing can be said; on one film both legs share it.
func TestUnknownMagnification(t *testing.T) {
	for _, c := range []struct {
		left string
		want Resolvable
	}{{"b.dcm", ""}, {"a.dcm", Resolved}} {
		right := row("a.dcm", "p", "s", "", Right, map[Quantity]Value{HeadDiameter: {50, 0.3}})
		left := row(c.left, "p", "s", "", Left, map[Quantity]Value{HeadDiameter: {47, 0.4}})
		right.Record.AddReason(ScaleDetector)
		left.Record.AddReason(ScaleDetector)
		femurs := []Femur{right, left}
		if d := difference(t, femurs, Pairs(femurs)[0], HeadDiameter); d.Less == nil || d.Resolvable != c.want {
			t.Errorf("other side on %s: %+v", c.left, d)
		}
	}
}

func TestOverTime(t *testing.T) {
	v := func(x float64) map[Quantity]Value { return map[Quantity]Value{HeadDiameter: {x, 0.3}} }
	femurs := []Femur{
		row("3.dcm", "p", "s3", "20240301", Left, v(49)),
		row("1.dcm", "p", "s1", "20230301", Left, v(47)),
		row("2.dcm", "p", "s2", "20240229", Left, v(48)),
		row("2b.dcm", "p", "s2b", "20240229", Left, nil), // the same day, less measured
		row("x.dcm", "p", "s4", "", Left, v(50)),         // no date
		row("y.dcm", "", "s5", "20200101", Left, v(50)),  // no patient key
		row("z.dcm", "q", "s6", "20200101", Left, v(50)), // another patient
		row("r.dcm", "p", "s7", "20220301", Right, v(50)),
	}
	lateral := row("l.dcm", "p", "s1", "20230301", Left, v(47))
	lateral.Record.View = Lateral
	unmeasured := row("n.dcm", "p", "s8", "20250301", Left, nil)
	unmeasured.Record.Status = StatusNotMeasured
	femurs = append(femurs, lateral, unmeasured)
	type pair struct {
		kind PairKind
		a, b int
		days float64
	}
	var got []pair
	for _, p := range Pairs(femurs) {
		got = append(got, pair{p.Kind, p.A, p.B, p.Days})
	}
	// 2024 is a leap year: from 1 March 2023 to 29 February 2024 it is 365 days.
	want := []pair{{Consecutive, 2, 1, 365}, {FirstLast, 0, 1, 366}, {Consecutive, 0, 2, 1}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("pairs %v, want %v", got, want)
	}
	if d := difference(t, femurs, Pairs(femurs)[1], HeadDiameter); d.Less.X != 2 {
		t.Errorf("last less first is %v, want 49 − 47", d.Less.X)
	}
}

// Pseudonymised rows have days in place of dates.
func TestOverStudyDays(t *testing.T) {
	a, b := row("a.dcm", "p", "s1", "", Left, nil), row("b.dcm", "p", "s2", "", Left, nil)
	a.Record.Set(StudyDay, 0, 0)
	b.Record.Set(StudyDay, 731, 0)
	if p := Pairs([]Femur{b, a}); len(p) != 1 || p[0].A != 0 || p[0].Days != 731 {
		t.Errorf("pairs %+v", p)
	}
}

func TestWithinWhatAPairIs(t *testing.T) {
	for _, c := range []struct {
		name        string
		right, left Femur
		want        int
	}{
		{"one study", row("a", "p", "s", "", Right, nil), row("b", "p", "s", "", Left, nil), 1},
		{"two studies of one day", row("a", "p", "s", "20240101", Right, nil), row("b", "p", "t", "20240101", Left, nil), 0},
		{"no study, one day", row("a", "p", "", "20240101", Right, nil), row("b", "p", "", "20240101", Left, nil), 1},
		{"no study, two days", row("a", "p", "", "20240101", Right, nil), row("b", "p", "", "20240102", Left, nil), 0},
		{"one file", row("a", "", "", "", Right, nil), row("a", "", "", "", Left, nil), 1},
		{"two files", row("a", "", "", "", Right, nil), row("b", "", "", "", Left, nil), 0},
		{"one study, no patient", row("a", "", "s", "", Right, nil), row("b", "", "s", "", Left, nil), 1},
		{"one study, two patients", row("a", "p", "s", "", Right, nil), row("b", "q", "s", "", Left, nil), 0},
		{"same side", row("a", "p", "s", "", Right, nil), row("b", "p", "s", "", Right, nil), 0},
		{"side unknown", row("a", "p", "s", "", Right, nil), row("b", "p", "s", "", "", nil), 0},
	} {
		if got := Pairs([]Femur{c.right, c.left}); len(got) != c.want {
			t.Errorf("%s: %d pairs, want %d", c.name, len(got), c.want)
		}
	}
}

func focal(level, u95 float64) Focal {
	return Focal{Level: Value{level, u95}, Height: Value{2, 0.3}, Length: Value{20, 3}}
}

// 50 mm: L. Probyn et al., Skeletal Radiol. 44 (2015).
func TestMirroredLevels(t *testing.T) {
	assessed := map[Quantity]Value{FocalCount: {1, 0}}
	right, left := row("a", "p", "s", "", Right, assessed), row("b", "p", "s", "", Left, assessed)
	right.Focal = []Focal{focal(80, 3), focal(140, 3), focal(245, 3)}
	left.Focal = []Focal{focal(26, 4), focal(90, 4), focal(100, 4)}
	left.Record.Set(VisibleTo, 240, 1)
	var got []string
	femurs := []Femur{right, left}
	for _, d := range Pairs(femurs)[0].Differences(femurs) {
		if d.Quantity != MirrorLevel {
			continue
		}
		text := func(v *Value) string {
			if v == nil {
				return "-"
			}
			return fmt.Sprintf("%g±%g", v.X, v.U95)
		}
		got = append(got, fmt.Sprintf("%s %s %s %s %v", text(d.A), text(d.B), text(d.Less), d.Resolvable, d.Reasons))
	}
	want := []string{
		"80±3 90±4 -10±5 yes []",
		"140±3 100±4 40±5 yes []",
		"245±3 - -  [mirror_level_not_seen]",
		"- 26±4 -  [none_at_mirror_level]", // 54 mm from the nearest
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

// However the rows lie, the pairs are the same and in the same order.
func TestPairsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var femurs []Femur
		for i := range rapid.IntRange(0, 14).Draw(t, "n") {
			pick := func(name string, from ...string) string { return rapid.SampledFrom(from).Draw(t, name) }
			f := row(fmt.Sprint("film", i), pick("patient", "p", "q", ""), pick("study", "s", "t", ""), pick("date", "20240101", "20240601", "20250101", ""), Side(pick("side", "R", "L", "")),
				map[Quantity]Value{HeadDiameter: {float64(i), 0.5}})
			if rapid.Bool().Draw(t, "focal") {
				f.Focal = []Focal{focal(float64(rapid.IntRange(30, 240).Draw(t, "level")), 2)}
			}
			f.Record.View = View(pick("view", "AP", "LAT"))
			femurs = append(femurs, f)
		}
		shuffled := slices.Clone(femurs)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		say := func(femurs []Femur) (out []string) {
			pairs := Pairs(femurs)
			for _, p := range pairs {
				a, b := femurs[p.A].Record, femurs[p.B].Record
				out = append(out, fmt.Sprint(p.Kind, a.Source, b.Source, p.Days, len(p.Differences(femurs))))
				if a.View != b.View || a.PatientKey != b.PatientKey || p.Kind == Sides != (a.Side != b.Side) || p.Kind != Sides && p.Days <= 0 {
					t.Fatalf("%s: %s against %s", p.Kind, a.Source, b.Source)
				}
				for _, d := range p.Differences(femurs) {
					if d.Less != nil && (math.Abs(d.Less.X-(d.A.X-d.B.X)) > 1e-12 || d.Less.U95 < max(d.A.U95, d.B.U95)) {
						t.Fatalf("%s: %v less %v is %v", d.Quantity, *d.A, *d.B, *d.Less)
					}
				}
			}
			Review(femurs, pairs)
			return out
		}
		clone := func(in []Femur) (out []Femur) {
			for _, f := range in {
				f.Record.Values = maps.Clone(f.Record.Values)
				out = append(out, f)
			}
			return out
		}
		one, two := clone(femurs), clone(shuffled)
		if got, want := say(two), say(one); !slices.Equal(got, want) {
			t.Fatalf("pairs %q, want %q", got, want)
		}
		rank := map[string]string{}
		for _, f := range one {
			rank[f.Record.Source] = fmt.Sprint(f.Record.Values[ReviewRank].X, f.Record.Texts[ReviewReasons], f.Record.Reasons)
		}
		for _, f := range two {
			if got := fmt.Sprint(f.Record.Values[ReviewRank].X, f.Record.Texts[ReviewReasons], f.Record.Reasons); got != rank[f.Record.Source] {
				t.Fatalf("%s: %s, want %s", f.Record.Source, got, rank[f.Record.Source])
			}
		}
	})
}

func TestPairReasonsHaveSentences(t *testing.T) {
	said := map[Reason]bool{}
	for _, r := range PairReasons {
		if said[r.Code] || len(r.Sentence) < 20 {
			t.Errorf("%s: %q", r.Code, r.Sentence)
		}
		said[r.Code] = true
	}
	for _, code := range []Reason{FilmOnly, ScaleBasisDiffers, LevelsNotAlike, StretchDiffers, TurnedDifferently, BowsOpposite, OtherThickening, NeckShaftTolerance, MirrorNotSeen, MirrorEmpty, ScaleDetector, ScaleLowerBound, ScaleConflict} {
		if !said[code] {
			t.Errorf("%s has no sentence", code)
		}
	}
}
