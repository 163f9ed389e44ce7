package accuracy

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shaftgauge/measure"
)

// longShaft is how much diaphysis in mm a film has to show for the bow's limits
// to hold.
const longShaft = 200

// Verdict is the outcome of a check.
type Verdict string

// The outcomes. A check without data has not passed.
const (
	Pass   Verdict = "PASS"
	Fail   Verdict = "FAIL"
	NoData Verdict = "NO DATA"
)

// Check is one line that a version has to pass.
type Check struct {
	Name    string  `json:"name"`
	Limit   string  `json:"limit"`
	Got     string  `json:"got"`
	N       int     `json:"n"` // how many values, rows or femurs it rests on
	Verdict Verdict `json:"verdict"`
}

// leastForCoverage is the number of truths a column needs for its own coverage
// to be judged: with 200 the standard error of 95 % is 1.5 %.
const leastForCoverage = 200

// checks draws up the pass lines. Cortices, widths and indices are pooled over
// their levels.
func checks(clean Tally, groups map[string]*collection, long *collection, reports []Group) []Check {
	all := groups[All]
	list := found(clean, all.tally)
	list = append(list, shaft(all, long)...)
	list = append(list, joints(all)...)
	list = append(list, focals(all, reports[0])...)
	list = append(list, refusals(all, reports[0])...)
	list = append(list, apart(groups)...)
	return append(list, uncertainties(all, reports)...)
}

// found checks that every femur is found, and as what it is.
func found(clean, t Tally) []Check {
	return []Check{
		atLeast("femurs found on clean films", 0.98, clean.Found, clean.Femurs),
		none("films without a row", t.FilmsWithoutRow, t.Films),
		none("rows on no true femur", t.RowsWithoutTruth, t.Rows),
		none("wrong sides on rows", t.SideWrong, t.Found),
		none("wrong views on rows", t.ViewWrong, t.Found),
		none("lateral and medial, or anterior and posterior, exchanged", t.Swapped, t.Found),
		none("proximal and distal exchanged", t.Reversed, t.Found),
	}
}

// shaft checks bow, cortices and widths.
func shaft(all, long *collection) []Check {
	like := func(part string) func(measure.Quantity) bool {
		return func(p measure.Quantity) bool { return strings.Contains(string(p), part) }
	}
	curvature := spread(long.errs[measure.BowCurvature])
	radius := spread(relative(long.errs[measure.BowRadius]))
	angle := spread(long.errs[measure.BowAngle])
	cortex := spread(all.pooled(isCortex))
	canal := spread(all.pooled(like("canal_width_")))
	index := spread(all.pooled(like("cortical_index")))
	outer := spread(all.pooled(like("outer_width_")))
	shown := fmt.Sprintf(", %d mm of diaphysis or more", longShaft)
	return []Check{
		within("bow curvature, median |error|"+shown, curvature.Median, 0.03, curvature.N, 3, "per m"),
		within("bow radius, median |error|"+shown, radius.Median, 3, radius.N, 1, "%"),
		within("bow radius, 95th percentile |error|"+shown, radius.P95, 10, radius.N, 1, "%"),
		within("bow angle, median |error|"+shown, angle.Median, 0.3, angle.N, 2, "deg"),
		within("cortical thickness, |bias|", math.Abs(cortex.Bias), 0.10, cortex.N, 3, "mm"),
		within("cortical thickness, median |error|", cortex.Median, 0.20, cortex.N, 3, "mm"),
		within("cortical thickness, 95th percentile |error|", cortex.P95, cortexP95, cortex.N, 3, "mm"),
		within("canal width, median |error|", canal.Median, 0.3, canal.N, 3, "mm"),
		within("cortical index, median |error|", index.Median, 0.012, index.N, 4, ""),
		within("outer width, |bias|", math.Abs(outer.Bias), 0.05, outer.N, 3, "mm"),
	}
}

// cortexP95 is the limit of the 95th percentile of cortical thickness, in mm.
const cortexP95 = 0.7

// joints checks what needs the hip or the knee. The limit of what is left out is
// common practice, no source: a column that is hardly ever filled has not passed.
func joints(all *collection) []Check {
	var list []Check
	for _, l := range []struct {
		q           measure.Quantity
		name        string
		median, p95 float64 // 0: no limit
		unit        string
	}{
		{measure.NeckShaftAngle, "neck-shaft angle", 0.8, 2.5, "deg"}, {measure.AnatomicLateralDistal, "aLDFA", 0.7, 0, "deg"},
		{measure.HeadDiameter, "head diameter", 0.6, 0, "mm"}, {measure.CanalFlareIndex, "canal flare index", 0.1, 0, ""},
	} {
		s := spread(all.errs[l.q])
		list = append(list, within(l.name+", median |error|", s.Median, l.median, s.N, 2, l.unit))
		if l.p95 > 0 {
			list = append(list, within(l.name+", 95th percentile |error|", s.P95, l.p95, s.N, 2, l.unit))
		}
		list = append(list, atLeast(l.name+", given where it can be seen", leastGiven, s.N, all.truths[l.q]))
	}
	return list
}

// leastGiven is the share of the truths of a column of hip or knee that shall
// have a value.
const leastGiven = 0.5

// focals checks focal thickenings and lines through them.
func focals(all *collection, g Group) []Check {
	f, l := Focal{Classes: make([]FocalClass, classCount)}, Lines{Classes: make([]LineClass, len(lineClasses)), Tilt: spread(nil)}
	if g.Focal != nil {
		f = *g.Focal
	}
	if g.Lines != nil {
		l = *g.Lines
	}
	high, low, wide := f.Classes[classHigh], f.Classes[classLow], l.Classes[0]
	height := spread(all.errs[measure.FocalHeight])
	return []Check{
		atLeast("thickenings of 1.2 mm or more found, level within 3 mm, where looked for", 0.95, high.Found, high.Looked),
		atLeast("thickenings of 1.2 mm or more found, level within 3 mm, of all", 0.95, high.Found, high.Truths),
		atLeast("thickenings of 0.7 to 0.9 mm found, level within 3 mm, where looked for", 0.80, low.Found, low.Looked),
		atLeast("thickenings of 0.7 to 0.9 mm found, level within 3 mm, of all", 0.80, low.Found, low.Truths),
		within("height of thickenings, median |error|", height.Median, 0.25, height.N, 3, "mm"),
		atMost("films without a thickening that get one, of those looked at", 0.03, f.Clear),
		atLeast("lines of 0.7 mm or wider seen, where assessable", 0.80, wide.Seen, wide.Seen+wide.NotSeen),
		atLeast("lines of 0.7 mm or wider seen, of all", 0.80, wide.Seen, wide.Truths),
		none("lines not seen though wider than the row's floor", belowFloor(l), notSeen(l)),
		atMost("lines seen where there is none", 0.03, l.False),
		within("tilt of lines of 0.7 mm or wider, 95th percentile |error|", l.Tilt.P95, 5, l.Tilt.N, 1, "deg"),
	}
}

func belowFloor(l Lines) (n int) {
	for _, k := range l.Classes {
		n += k.BelowFloor
	}
	return n
}

func notSeen(l Lines) (n int) {
	for _, k := range l.Classes {
		n += k.NotSeen
	}
	return n
}

// refusals checks that what cannot be measured is not.
func refusals(all *collection, g Group) []Check {
	negatives, numbered := 0, 0
	for _, k := range g.Kinds {
		negatives += k.Films
		numbered += k.Numbers
	}
	m := all.metal
	return []Check{
		none("films without a femur that have a number", numbered, negatives),
		none("empty cells that no reason of their row explains", all.unexplained.Part, all.unexplained.Whole),
		atLeast("implants flagged", 1, m.Flagged.Part, m.Flagged.Whole),
		none("numbers of cortex, canal and width that touch metal", m.Touching.Part, m.Touching.Whole),
		none("broken femurs with a bow", all.broken.Bows, all.broken.Flagged.Whole),
	}
}

// apart checks that films turned, at a low dose or inverted are as good as the
// rest, or refused: no fewer femurs found than by chance, and cortices within
// the limit of all films.
func apart(groups map[string]*collection) []Check {
	var list []Check
	for _, set := range []struct {
		name   string
		groups []string
	}{{"turned films", []string{"turned", "turned_lat"}}, {"low dose", []string{"low_dose"}}, {"inverted", []string{"inverted"}}} {
		var part, rest Tally
		var mine, others []deviation
		for name, c := range groups {
			switch {
			case name == All:
			case slices.Contains(set.groups, name):
				part.Femurs, part.Found = part.Femurs+c.tally.Femurs, part.Found+c.tally.Found
				mine = append(mine, c.pooled(isCortex)...)
			default:
				rest.Femurs, rest.Found = rest.Femurs+c.tally.Femurs, rest.Found+c.tally.Found
				others = append(others, c.pooled(isCortex)...)
			}
		}
		here, there := Rate{part.Found, part.Femurs}, Rate{rest.Found, rest.Femurs}
		_, high := here.Wilson()
		ok := part.Femurs == 0 || rest.Femurs == 0 || high >= there.Share()
		list = append(list, Check{set.name + ": femurs found, rest beside it", "as the rest", fmt.Sprintf("%s; %.1f %%", here, 100*there.Share()),
			part.Femurs, verdict(part.Femurs, ok)})
		a, b := spread(mine), spread(others)
		limit := cortexP95
		if b.P95 > limit {
			limit = b.P95
		}
		c := within(set.name+": cortical thickness, 95th percentile |error|", a.P95, limit, a.N, 3, "mm")
		c.Limit = fmt.Sprintf("<= %.2f mm", limit)
		list = append(list, c)
	}
	return list
}

// uncertainties checks that u95 covers 90 to 98 % of the truths: of all columns
// together, of each column with many truths, and of no column or group with so
// few or so many that chance is excluded.
func uncertainties(all *collection, reports []Group) []Check {
	list := []Check{covered("u95 holds, all columns together", spread(all.pooled(func(measure.Quantity) bool { return true })))}
	var off []string
	n := 0
	for _, col := range measure.Columns {
		s := spread(all.errs[measure.Quantity(col.Name)])
		if !col.Uncertain || s.WithU95 == 0 {
			continue
		}
		if s.WithU95 >= leastForCoverage {
			list = append(list, covered("u95 holds, "+col.Name, s))
			continue
		}
		n++
		if k := coverage(s.rate()); k == CoverageLow || k == CoverageHigh {
			off = append(off, col.Name)
		}
	}
	list = append(list, noneOf("columns with fewer truths whose u95 holds too few or too many", off, n))
	off = nil
	for _, g := range reports[1:] {
		if k := coverage(g.U95); k == CoverageLow || k == CoverageHigh {
			off = append(off, g.Name)
		}
	}
	return append(list, noneOf("groups whose u95, all columns, holds too few or too many", off, len(reports)-1))
}

func verdict(n int, ok bool) Verdict {
	switch {
	case n == 0:
		return NoData
	case ok:
		return Pass
	}
	return Fail
}

func atLeast(name string, limit float64, part, whole int) Check {
	return Check{name, fmt.Sprintf(">= %g %%", 100*limit), percent(part, whole), whole,
		verdict(whole, float64(part) >= limit*float64(whole))}
}

func atMost(name string, limit float64, r Rate) Check {
	return Check{name, fmt.Sprintf("<= %g %%", 100*limit), r.String(), r.Whole,
		verdict(r.Whole, float64(r.Part) <= limit*float64(r.Whole))}
}

// noneOf names those of n that fail.
func noneOf(name string, off []string, n int) Check {
	c := none(name, len(off), n)
	if len(off) > 0 {
		c.Got += ": " + strings.Join(off, ", ")
	}
	return c
}

func none(name string, n, whole int) Check {
	return Check{name, "none", fmt.Sprintf("%d of %d", n, whole), whole, verdict(whole, n == 0)}
}

func within(name string, got, limit float64, n, digits int, unit string) Check {
	return Check{name, strings.TrimSpace(fmt.Sprintf("<= %g %s", limit, unit)),
		strings.TrimSpace(number(got, digits) + " " + unit), n, verdict(n, got <= limit)}
}

func covered(name string, s Spread) Check {
	return Check{name, "90 to 98 %", number(100*s.Covered, 1) + " %", s.WithU95,
		verdict(s.WithU95, s.Covered >= leastCovered && s.Covered <= mostCovered)}
}
