package accuracy

import (
	"fmt"
	"math"
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
func checks(clean Tally, all, long *collection) []Check {
	t := all.tally
	list := []Check{
		atLeast("femurs found on clean films", 0.98, clean.Found, clean.Femurs),
		none("films without a row", t.FilmsWithoutRow, t.Films),
		none("rows on no true femur", t.RowsWithoutTruth, t.Rows),
		none("wrong sides on rows", t.SideWrong, t.Found),
		none("wrong views on rows", t.ViewWrong, t.Found),
		none("lateral and medial, or anterior and posterior, exchanged", t.Swapped, t.Found),
		none("proximal and distal exchanged", t.Reversed, t.Found),
	}
	is := func(q measure.Quantity) func(measure.Quantity) bool {
		return func(p measure.Quantity) bool { return p == q }
	}
	like := func(part string) func(measure.Quantity) bool {
		return func(p measure.Quantity) bool { return strings.Contains(string(p), part) }
	}
	curvature := spread(long.pooled(is(measure.BowCurvature)))
	radius := spread(relative(long.pooled(is(measure.BowRadius))))
	angle := spread(long.pooled(is(measure.BowAngle)))
	cortex := spread(all.pooled(like("_cortex_")))
	canal := spread(all.pooled(like("canal_width_")))
	index := spread(all.pooled(like("cortical_index")))
	outer := spread(all.pooled(like("outer_width_")))
	shown := fmt.Sprintf(", %d mm of diaphysis or more", longShaft)
	list = append(list,
		within("bow curvature, median |error|"+shown, curvature.Median, 0.03, curvature.N, 3, "per m"),
		within("bow radius, median |error|"+shown, radius.Median, 3, radius.N, 1, "%"),
		within("bow radius, 95th percentile |error|"+shown, radius.P95, 10, radius.N, 1, "%"),
		within("bow angle, median |error|"+shown, angle.Median, 0.3, angle.N, 2, "deg"),
		within("cortical thickness, |bias|", math.Abs(cortex.Bias), 0.10, cortex.N, 3, "mm"),
		within("cortical thickness, median |error|", cortex.Median, 0.20, cortex.N, 3, "mm"),
		within("cortical thickness, 95th percentile |error|", cortex.P95, 0.7, cortex.N, 3, "mm"),
		within("canal width, median |error|", canal.Median, 0.3, canal.N, 3, "mm"),
		within("cortical index, median |error|", index.Median, 0.012, index.N, 4, ""),
		within("outer width, |bias|", math.Abs(outer.Bias), 0.05, outer.N, 3, "mm"),
	)
	any := func(measure.Quantity) bool { return true }
	list = append(list, covered("u95 holds, all columns together", spread(all.pooled(any))))
	for _, col := range measure.Columns {
		s := spread(all.errs[measure.Quantity(col.Name)])
		if col.Uncertain && s.WithU95 >= leastForCoverage {
			list = append(list, covered("u95 holds, "+col.Name, s))
		}
	}
	return list
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

func none(name string, n, whole int) Check {
	return Check{name, "none", fmt.Sprintf("%d of %d", n, whole), whole, verdict(whole, n == 0)}
}

func within(name string, got, limit float64, n, digits int, unit string) Check {
	return Check{name, strings.TrimSpace(fmt.Sprintf("<= %g %s", limit, unit)),
		strings.TrimSpace(number(got, digits) + " " + unit), n, verdict(n, got <= limit)}
}

func covered(name string, s Spread) Check {
	return Check{name, "90 to 98 %", number(100*s.Covered, 1) + " %", s.WithU95,
		verdict(s.WithU95, s.Covered >= 0.90 && s.Covered <= 0.98)}
}
