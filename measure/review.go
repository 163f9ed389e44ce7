package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// ReviewReasons is the column of words that goes with [ReviewRank].
const ReviewReasons = "review_reasons"

// Limits that decide the order of review and nothing else.
const (
	// The bulk of every published series of anterior radii lies within 500 to
	// 1700 mm (circles through the canal or the mid-line on lateral films and CT:
	// Egol 2004, Harma 2005, Maratt 2014, Thiesen 2018 and others).
	leastAnteriorRadius, greatestAnteriorRadius = 500, 1700
	// A coronal radius below 1500 mm is the most bowed class of 1313 femora
	// (A. Aneja et al., Bone 2025, 117620), by a circle as ours is.
	leastCoronalRadius = 1500
)

// glance is what the order of review knows of one row.
type glance struct {
	*Femur
	place    int
	order    []float64 // by reviewOrder
	mirrored float64   // distance in mm of the nearest thickening on the other side from the mirrored level of one here; negative: none
	grown    float64   // mm by which the most prominent thickening is resolvably higher than on an earlier film
	grownIn  float64   // days of that
	opposite string    // what a finding on the other side is, where this one has none
	neckBy   float64   // degrees by which the neck-shaft angle differs from the other side's, resolvably and by the tolerance or more
}

// reviewOrder is the order of review: a row for which the first of these is
// greater comes first; where it is equal, the second decides, and so on.
var reviewOrder = []struct {
	what string
	of   func(*glance) float64
}{
	{"a dark line seen in the lateral cortex", func(g *glance) float64 { return number(g.lineSeen()) }},
	{"a focal thickening found", func(g *glance) float64 { return number(g.thickened()) }},
	{"one near its mirrored level on the other side", func(g *glance) float64 { return number(g.mirrored >= 0) }},
	{"one higher than on an earlier film by more than both uncertainties", func(g *glance) float64 { return g.grown }},
	{"height of the most prominent one over its uncertainty", func(g *glance) float64 { return overU95(g.Record.Values[FocalHeight]) }},
	{"a shaft in parts that do not meet", func(g *glance) float64 { return number(g.has(ShaftDiscontinuous)) }},
	{"a finding on the other side", func(g *glance) float64 { return number(g.opposite != "") }},
	{"a femur that could not be measured", func(g *glance) float64 { return number(g.Record.kind() == femurNotMeasured) }},
	{"a file that could not be read", func(g *glance) float64 { return number(g.Record.kind() == notRead) }},
	{"a shaft that may be another bone", func(g *glance) float64 { return number(g.Record.kind() == maybeFemur) }},
	{"statements or estimates that contradict each other", func(g *glance) float64 { return float64(len(g.contradictions())) }},
	{"a bow outside the bulk of published ones (anterior radius of 500 to 1700 mm, coronal radius of 1500 mm or more)", func(g *glance) float64 { return number(g.bowed()) }},
	{"a neck-shaft angle that differs from the other side's by 5 degrees or more", func(g *glance) float64 { return g.neckBy }},
	{"metal on the femur", func(g *glance) float64 { return number(g.metal() != "") }},
	{"a lateral cortex that could not be assessed", func(g *glance) float64 { return number(g.has(FocalNotAssessable)) }},
	{"a row measured in part", func(g *glance) float64 { return number(g.Record.Status == StatusPartial) }},
	{"a row measured", func(g *glance) float64 { return number(g.Record.Status == StatusMeasured) }},
}

// reviewRankDefinition says in one sentence what [reviewOrder] is.
func reviewRankDefinition() string {
	var what []string
	for _, fact := range reviewOrder {
		what = append(what, fact.what)
	}
	return "Order in which a person should look at the rows, 1 first; not a probability of anything. " +
		"Rows are compared by these plain facts in turn, and then by source and frame: " + strings.Join(what, "; ") + "; films without a femur come last."
}

// Review writes review_rank and review_reasons to every row of a run, and the
// reason other_side_not_on_file to each that has a finding (a focal thickening
// or a dark line) and whose other side has no row: among the rows of the same
// patient where a patient key is known, else of the same study, else of the
// same file. pairs are those of [Pairs] of the same femurs.
//
// The rank depends on what is in the rows, not on their places.
func Review(femurs []Femur, pairs []Pair) {
	all := make([]glance, len(femurs))
	people := map[string][]int{}
	for i := range femurs {
		all[i] = glance{Femur: &femurs[i], place: i, mirrored: -1}
		person := personOf(&femurs[i].Record)
		people[person] = append(people[person], i)
	}
	for _, rows := range people {
		slices.SortFunc(rows, func(a, b int) int { return inFile(&femurs[a].Record, &femurs[b].Record) })
		for _, i := range rows {
			all[i].lookAcross(all, rows)
		}
	}
	for _, p := range pairs {
		q := NeckShaftAngle
		if p.Kind != Sides {
			q = FocalHeight
		}
		d, ok := p.difference(femurs, q)
		switch a, b := &all[p.A], &all[p.B]; {
		case !ok || d.Resolvable != Resolved:
		case p.Kind == Sides && slices.Contains(d.Reasons, NeckShaftTolerance):
			a.neckBy, b.neckBy = math.Abs(d.Less.X), math.Abs(d.Less.X)
		case p.Kind != Sides && d.Less.X > a.grown:
			a.grown, a.grownIn = d.Less.X, p.Days
		}
	}
	for i := range all {
		for _, fact := range reviewOrder {
			all[i].order = append(all[i].order, fact.of(&all[i]))
		}
	}
	slices.SortFunc(all, func(a, b glance) int {
		return cmp.Or(slices.Compare(b.order, a.order), inFile(&a.Record, &b.Record), cmp.Compare(a.place, b.place))
	})
	for rank := range all {
		r := &all[rank].Record
		if r.Texts == nil {
			r.Texts = make(map[string]string)
		}
		r.Texts[ReviewReasons] = strings.Join(all[rank].reasons(), "; ")
		r.Set(ReviewRank, float64(rank+1), 0)
	}
}

// personOf names whose films a row can be looked up among.
func personOf(r *Record) string {
	if r.PatientKey != "" {
		return "patient " + r.PatientKey
	}
	return studyOf(r)
}

// lookAcross looks at the other side's rows among those of the same person.
func (g *glance) lookAcross(all []glance, rows []int) {
	if g.Record.Side == "" {
		return
	}
	onFile, sameStudy := false, false
	for _, k := range rows {
		other := &all[k]
		if other.Record.Side == "" || other.Record.Side == g.Record.Side {
			continue
		}
		onFile = true
		for _, f := range g.Focal {
			if n, ok := nearest(&g.Record, f.Level, other.Femur); ok {
				if apart := math.Abs(other.Focal[n].Level.X - f.Level.X); g.mirrored < 0 || apart < g.mirrored {
					g.mirrored = apart
				}
			}
		}
		// What the other side shows in the same study goes before what it does in another.
		if g.Record.View != AP || g.finding() || !other.finding() {
			continue
		}
		if now := studyOf(&other.Record) == studyOf(&g.Record); g.opposite == "" || now && !sameStudy {
			g.opposite, sameStudy = other.findings()[0], now
		}
	}
	if g.finding() && !onFile {
		g.Record.AddReason(OtherSideNotOnFile)
	}
}

// finding says whether the row has something that a person should look at on
// the other side too.
func (g *glance) finding() bool { return g.thickened() || g.lineSeen() }

// thickened says whether a focal thickening was found, on a film with a scale or
// without.
func (g *glance) thickened() bool { return g.Record.Values[FocalCount].X > 0 || len(g.Focal) > 0 }

func (g *glance) lineSeen() bool { return g.Record.Texts["lucent_line"] == "seen" }

func (g *glance) has(code Reason) bool { return slices.Contains(g.Record.Reasons, code) }

// contradictions lists the plain words of the reasons that say so.
func (g *glance) contradictions() []string {
	var out []string
	for _, c := range []struct {
		code  Reason
		words string
	}{
		{EstimatesDisagree, "two estimates of the edges disagree"},
		{SideConflict, "statements of the side contradict each other"},
		{ViewConflict, "statements of the view contradict each other"},
		{PolarityConflict, "statements of bright and dark contradict each other"},
		{ScaleConflict, "two statements of scale contradict each other"},
	} {
		if g.has(c.code) {
			out = append(out, c.words)
		}
	}
	return out
}

// bowed says whether the row's radius, where it has one, is outside the bulk of
// published ones.
func (g *glance) bowed() bool {
	radius, ok := g.Record.Values[BowRadius]
	if !ok {
		return false
	}
	if g.Record.View == Lateral {
		return g.Record.Values[BowCurvature].X < 0 || radius.X < leastAnteriorRadius || radius.X > greatestAnteriorRadius
	}
	return g.Record.View == AP && radius.X < leastCoronalRadius
}

// metal names the metal on the femur.
func (g *glance) metal() string {
	if kind := g.Record.Texts["implant"]; kind != "none" {
		return kind
	}
	return ""
}

// findings says in plain words what was found on the lateral cortex.
func (g *glance) findings() []string {
	at := "at %.0f mm"
	if g.Record.LevelOrigin != "lesser_trochanter" {
		at = "at %.0f mm from the top of the visible shaft"
	}
	var out []string
	for _, f := range g.Focal {
		out = append(out, fmt.Sprintf("lateral cortex %.1f mm above its baseline "+at, f.Height.X, f.Level.X))
		if f.Line.State == "seen" {
			out = append(out, fmt.Sprintf("dark line crosses %.0f %% of it", 100*f.Line.Depth.X))
		}
	}
	if g.thickened() && len(g.Focal) == 0 {
		out = append(out, "lateral cortex above its baseline, no scale")
	}
	if g.lineSeen() && !slices.ContainsFunc(g.Focal, func(f Focal) bool { return f.Line.State == "seen" }) {
		out = append(out, "dark line in the lateral cortex")
	}
	return out
}

// reasons are the plain reasons for a row's place in the order of review.
func (g *glance) reasons() []string {
	out := g.findings()
	say := func(when bool, format string, args ...any) {
		if when {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	say(g.mirrored >= 0, "thickening within %.0f mm of the mirrored level on the other side", math.Ceil(g.mirrored))
	say(g.grown > 0, "thickening %.1f mm higher than %.0f days before", g.grown, g.grownIn)
	say(g.has(OtherSideNotOnFile), "other side not on file")
	say(g.has(ShaftDiscontinuous), "shaft falls into parts that do not meet")
	say(g.opposite != "", "other side: %s", g.opposite)
	if why := g.Record.StoppedBy(); why != "" {
		say(!g.has(ShaftDiscontinuous), "not measured: %s", strings.ReplaceAll(string(why), "_", " "))
	}
	out = append(out, g.contradictions()...)
	if g.bowed() {
		apex := sides[g.Record.View][0]
		if g.Record.Values[BowCurvature].X < 0 {
			apex = sides[g.Record.View][1]
		}
		say(true, "bow radius %.0f mm, apex %s", g.Record.Values[BowRadius].X, apex)
	}
	say(g.neckBy > 0, "neck-shaft angle differs from the other side's by %.1f deg", g.neckBy)
	say(g.metal() != "", "metal on the femur: %s", g.metal())
	say(g.has(FocalNotAssessable), "lateral cortex could not be assessed")
	return out
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// overU95 is a value over its uncertainty, 0 for none.
func overU95(v Value) float64 {
	if v.U95 > 0 {
		return v.X / v.U95
	}
	return 0
}
