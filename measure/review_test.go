package measure

import (
	"fmt"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// reviewed returns the sources of rows in their order of review.
func reviewed(femurs []Femur) []string {
	Review(femurs, Pairs(femurs))
	out := make([]string, len(femurs))
	for _, f := range femurs {
		out[int(f.Record.Values[ReviewRank].X)-1] = f.Record.Source
	}
	return out
}

// with puts a focal thickening on a row as the film's stage does.
func with(f Femur, level, height, u95 float64) Femur {
	f.Focal = append(f.Focal, Focal{Level: Value{level, 2}, Height: Value{height, u95}, Length: Value{20, 3}, Line: LucentLine{State: "not_seen"}})
	f.Record.Set(FocalCount, float64(len(f.Focal)), 0)
	f.Record.Set(FocalLevel, level, 2)
	f.Record.Set(FocalLength, 20, 3)
	f.Record.Set(FocalHeight, height, u95)
	return f
}

func withLine(f Femur, depth float64) Femur {
	f.Focal[0].Line = LucentLine{State: "seen", Depth: Value{depth, 0.1}}
	f.Record.Texts = map[string]string{"lucent_line": "seen"}
	return f
}

func notMeasured(source string, why ...Reason) Femur {
	return Femur{Record: Record{Source: source, Frame: 1, Status: StatusNotMeasured, Reasons: why}}
}

func bowed(f Femur, view View, curvature float64) Femur {
	f.Record.View = view
	f.Record.Set(BowCurvature, curvature, 0.01)
	if curvature != 0 {
		radius := 1000 / curvature
		if radius < 0 {
			radius = -radius
		}
		f.Record.Set(BowRadius, radius, 10)
	}
	return f
}

// The order that the definition of review_rank states, from row to row; names
// are so chosen that their alphabet is no help.
func TestReviewOrder(t *testing.T) {
	broken := notMeasured("u broken", ShaftDiscontinuous)
	part := row("d part", "p8", "", "", Right, nil)
	part.Record.Status = StatusPartial
	doubt := row("k doubt", "p9", "", "", Right, nil)
	doubt.Record.Status, doubt.Record.Reasons = StatusPartial, []Reason{EstimatesDisagree}
	plated := row("e plate", "p10", "", "", Right, nil)
	plated.Record.Texts = map[string]string{"implant": "plate"}
	unclear := row("d cortex", "p11", "", "", Right, nil)
	unclear.Record.AddReason(FocalNotAssessable)
	want := []Femur{
		withLine(with(row("z line", "p1", "", "", Right, nil), 90, 1, 0.5), 0.6),
		with(row("y mirrored", "p2", "s", "", Right, nil), 90, 1, 0.5),
		with(row("y mirrored, too", "p2", "s", "", Left, nil), 110, 1, 0.6),
		with(row("x clear", "p3", "", "", Right, nil), 90, 2, 0.2),
		with(row("w higher, less clear", "p4", "", "", Right, nil), 90, 3, 0.9),
		broken,
		row("t other side", "p4", "", "", Left, nil),
		notMeasured("s femur", EdgesUnclear),
		notMeasured("r file", UnreadableFile),
		notMeasured("m bone", FemurUncertain),
		doubt,
		bowed(row("j bow", "p5", "", "", Right, nil), Lateral, 2.2),
		row("i neck", "p6", "n", "", Right, map[Quantity]Value{NeckShaftAngle: {131, 1}}),
		row("i neck, too", "p6", "n", "", Left, map[Quantity]Value{NeckShaftAngle: {125, 1}}),
		plated,
		unclear,
		part,
		row("c plain", "p7", "", "", Right, nil),
		notMeasured("b none", NoFemurFound),
	}
	var names []string
	for _, f := range want {
		names = append(names, f.Record.Source)
	}
	slices.Reverse(want)
	if got := reviewed(want); !slices.Equal(got, names) {
		t.Errorf("got  %q\nwant %q", got, names)
	}
}

func TestReviewReasons(t *testing.T) {
	texts := func(femurs ...Femur) (out []string) {
		Review(femurs, Pairs(femurs))
		for _, f := range femurs {
			out = append(out, f.Record.Texts[ReviewReasons])
		}
		return out
	}
	alone := func() Femur { return row("a", "p", "s", "", Right, nil) }
	later := with(row("b", "p", "t", "20240301", Right, nil), 92, 1.8, 0.3)
	earlier := with(row("a", "p", "s", "20230301", Right, nil), 90, 1.2, 0.3)
	top := with(alone(), 40, 1.25, 0.3)
	top.Record.LevelOrigin = "shaft_top"
	unscaled := alone()
	unscaled.Record.Set(FocalCount, 1, 0)
	metal := alone()
	metal.Record.Texts = map[string]string{"implant": "plate"}
	for _, c := range []struct {
		name   string
		femurs []Femur
		want   []string
	}{
		{"nothing", []Femur{alone()}, []string{""}},
		{"line", []Femur{withLine(with(alone(), 92, 1.81, 0.3), 0.6)}, []string{"lateral cortex 1.8 mm above its baseline at 92 mm; dark line crosses 60 % of it; other side not on file"}},
		{"from the top", []Femur{top}, []string{"lateral cortex 1.2 mm above its baseline at 40 mm from the top of the visible shaft; other side not on file"}},
		{"no scale", []Femur{unscaled}, []string{"lateral cortex above its baseline, no scale; other side not on file"}},
		{"mirrored", []Femur{with(alone(), 92, 1.8, 0.3), with(row("b", "p", "s", "", Left, nil), 115, 2, 0.3)},
			[]string{"lateral cortex 1.8 mm above its baseline at 92 mm; thickening within 23 mm of the mirrored level on the other side",
				"lateral cortex 2.0 mm above its baseline at 115 mm; thickening within 23 mm of the mirrored level on the other side"}},
		{"other side", []Femur{with(alone(), 92, 1.8, 0.3), row("b", "p", "s", "", Left, nil)},
			[]string{"lateral cortex 1.8 mm above its baseline at 92 mm", "other side: lateral cortex 1.8 mm above its baseline at 92 mm"}},
		{"other side, twice", []Femur{with(row("a", "p", "r", "20200101", Left, nil), 90, 1.2, 0.3), row("b", "p", "s", "20240101", Right, nil), with(row("c", "p", "s", "20240101", Left, nil), 90, 1.3, 0.3)},
			[]string{"lateral cortex 1.2 mm above its baseline at 90 mm", "other side: lateral cortex 1.3 mm above its baseline at 90 mm", "lateral cortex 1.3 mm above its baseline at 90 mm"}},
		{"grown", []Femur{later, earlier}, []string{"lateral cortex 1.8 mm above its baseline at 92 mm; thickening 0.6 mm higher than 366 days before; other side not on file",
			"lateral cortex 1.2 mm above its baseline at 90 mm; other side not on file"}},
		{"broken", []Femur{notMeasured("a", ShaftDiscontinuous)}, []string{"shaft falls into parts that do not meet"}},
		{"not measured", []Femur{notMeasured("a", ScaleNone, EdgesUnclear)}, []string{"not measured: edges unclear"}},
		{"metal", []Femur{metal}, []string{"metal on the femur: plate"}},
		{"contradictions", []Femur{notMeasured("a", SideConflict, EstimatesDisagree, FemurUncertain)},
			[]string{"not measured: femur uncertain; two estimates of the edges disagree; statements of the side contradict each other"}},
		{"cortex", []Femur{{Record: Record{Source: "a", Frame: 1, Status: StatusPartial, Reasons: []Reason{FocalNotAssessable}}}}, []string{"lateral cortex could not be assessed"}},
		{"bow", []Femur{bowed(alone(), AP, -0.8)}, []string{"bow radius 1250 mm, apex medial"}},
		{"usual bow", []Femur{bowed(alone(), Lateral, 1)}, []string{""}},
		{"neck", []Femur{row("a", "p", "s", "", Right, map[Quantity]Value{NeckShaftAngle: {131.1, 1}}), row("b", "p", "s", "", Left, map[Quantity]Value{NeckShaftAngle: {125, 1}})},
			[]string{"neck-shaft angle differs from the other side's by 6.1 deg", "neck-shaft angle differs from the other side's by 6.1 deg"}},
		{"neck, not resolved", []Femur{row("a", "p", "s", "", Right, map[Quantity]Value{NeckShaftAngle: {131.1, 6}}), row("b", "p", "s", "", Left, map[Quantity]Value{NeckShaftAngle: {125, 6}})},
			[]string{"", ""}},
	} {
		if got := texts(c.femurs...); !slices.Equal(got, c.want) {
			t.Errorf("%s:\ngot  %q\nwant %q", c.name, got, c.want)
		}
	}
}

func TestOtherSideNotOnFile(t *testing.T) {
	one := func() Femur { return with(row("a", "p", "s", "20240101", Right, nil), 92, 1.8, 0.3) }
	unread := row("b", "p", "s", "", Left, nil)
	unread.Record.Status = StatusNotMeasured
	nameless := one()
	nameless.Record.PatientKey = ""
	sideless := one()
	sideless.Record.Side = ""
	for _, c := range []struct {
		name   string
		femurs []Femur
		want   bool
	}{
		{"alone", []Femur{one()}, true},
		{"other side in another study", []Femur{one(), row("b", "p", "t", "20200101", Left, nil)}, false},
		{"other side not measured", []Femur{one(), unread}, false},
		{"same side again", []Femur{one(), row("b", "p", "t", "20200101", Right, nil)}, true},
		{"another person's other side", []Femur{one(), row("b", "q", "s", "", Left, nil)}, true},
		{"no key, other side in the study", []Femur{nameless, row("b", "", "s", "", Left, nil)}, false},
		{"no key, other side in another study", []Femur{nameless, row("b", "", "t", "", Left, nil)}, true},
		{"which side is not known", []Femur{sideless}, false},
		{"no finding", []Femur{row("a", "p", "s", "", Right, nil)}, false},
	} {
		Review(c.femurs, Pairs(c.femurs))
		if got := slices.Contains(c.femurs[0].Record.Reasons, OtherSideNotOnFile); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// What the program says of a row names no disease and tells nobody what to do.
// The words are those that the field would use for either (common practice, no
// source).
func TestReviewSaysFactsOnly(t *testing.T) {
	banned := regexp.MustCompile(`(?i)fractur|atypical|bisphosph|osteopor|stress|lesion|patholog|diagnos|disease|suspic|suspect|risk|refer|recommend|urgent|should be|must be|treat|abnormal\b|likel`)
	var said []string
	for _, r := range slices.Concat(Reasons, PairReasons) {
		said = append(said, r.Sentence)
	}
	for _, c := range Columns {
		said = append(said, strings.TrimSuffix(c.Definition, "."))
	}
	for _, fact := range reviewOrder {
		said = append(said, fact.what)
	}
	for _, s := range said {
		if word := banned.FindString(s); word != "" {
			t.Errorf("%q in %q", word, s)
		}
	}
}

// BenchmarkReview pairs and orders a run of 100 000 rows, four to a person: two
// sides on two days.
func BenchmarkReview(b *testing.B) {
	const rows = 100_000
	var names []Quantity
	for _, c := range Columns {
		if c.Uncertain {
			names = append(names, Quantity(c.Name))
		}
	}
	femurs := make([]Femur, rows)
	for i := range femurs {
		person, late := fmt.Sprint(i/4), i%4 > 1
		side := Side([]string{"R", "L"}[i%2])
		f := row(fmt.Sprintf("film-%06d.dcm", i), person, fmt.Sprint(person, late), map[bool]string{false: "20220101", true: "20240101"}[late], side, nil)
		for k, q := range names[:60] {
			f.Record.Set(q, float64((i*7+k*13)%97), 1)
		}
		if i%50 == 0 {
			f = with(f, 90, float64(i%7), 0.5)
		}
		femurs[i] = f
	}
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.HeapAlloc)/rows, "heap-B/row")
	for b.Loop() {
		pairs := Pairs(femurs)
		Review(femurs, pairs)
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.HeapAlloc)/rows, "heap-B/row-after")
		b.ReportMetric(float64(len(pairs)), "pairs")
	}
}
