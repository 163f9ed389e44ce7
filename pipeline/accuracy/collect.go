package accuracy

import (
	"math"
	"slices"

	"shaftgauge/measure"
)

// collection gathers the errors of some films by column.
type collection struct {
	tally  Tally
	truths map[measure.Quantity]int
	values map[measure.Quantity]int
	extra  map[measure.Quantity]int
	errs   map[measure.Quantity][]deviation

	status      map[measure.Status]int
	reasons     map[measure.Reason]int
	unexplained Rate // empty cells, of those that a film of the view can fill

	focal   Focal
	classes [classCount]FocalClass
	share   []deviation

	confounders map[string]Rate

	lines      [3]LineClass
	falseLines Rate
	tilt       []deviation // of lines of lineWide or more

	metal Metal
	told  map[[2]string]int

	kinds  map[string]Kind
	broken Broken
	turned [5]TurnedClass
}

func newCollection() *collection {
	return &collection{truths: map[measure.Quantity]int{}, values: map[measure.Quantity]int{},
		extra: map[measure.Quantity]int{}, errs: map[measure.Quantity][]deviation{},
		status: map[measure.Status]int{}, reasons: map[measure.Reason]int{}, told: map[[2]string]int{}, kinds: map[string]Kind{},
		confounders: map[string]Rate{}}
}

func (c *collection) add(f *Film, pairs []pair) {
	c.tally.Films++
	if len(f.Rows) == 0 {
		c.tally.FilmsWithoutRow++
	}
	found, used := 0, map[int]bool{}
	for _, p := range pairs {
		if p.row >= 0 {
			found++
			used[p.row] = true
		}
	}
	for _, p := range pairs {
		c.addFemur(f, p)
		c.addMetal(f, p, used)
	}
	c.addClear(f)
	c.addRefusals(f, pairs)
	claims := 0
	for i := range f.Rows {
		if claimed(&f.Rows[i]) {
			claims++
		}
	}
	c.tally.Rows += claims
	for _, t := range f.Truth.Femurs {
		if t.Broken && claims > found { // its row lies where the truth has no line
			found++
		}
	}
	c.tally.RowsWithoutTruth += claims - found
}

// claimed says whether a row says anything of a femur.
func claimed(f *measure.Femur) bool { return len(f.Record.Values) > 0 || measured(f) }

// addFemur counts one true femur and the errors of its row.
func (c *collection) addFemur(f *Film, p pair) {
	t := &f.Truth.Femurs[p.truth]
	if t.Broken { // it has no numbers, and its row no place
		return
	}
	c.tally.Femurs++
	for q, x := range t.Values {
		if finite(x) {
			c.truths[q]++
		}
	}
	if m := f.focal(p); m != nil {
		c.addFocal(f, m)
		c.addLines(f, m)
	}
	if p.row < 0 {
		return
	}
	r := &f.Rows[p.row].Record
	c.tally.Found++
	count(&c.tally.SideRight, &c.tally.SideWrong, r.Side, t.Side)
	count(&c.tally.ViewRight, &c.tally.ViewWrong, r.View, t.View)
	for _, b := range []struct {
		is bool
		n  *int
	}{
		{p.reversed, &c.tally.Reversed}, {p.swapped, &c.tally.Swapped},
		{r.LevelOrigin != t.LevelOrigin, &c.tally.OriginDiffers},
		{r.ScaleBasis != f.Truth.ScaleBasis, &c.tally.ScaleDiffers},
	} {
		if b.is {
			*b.n++
		}
	}
	for q, v := range r.Values {
		if isFocal[q] {
			continue
		}
		c.values[q]++
		x, ok := t.Values[q]
		switch {
		case !ok || !finite(x):
			c.extra[q]++
		case countsFromOrigin[q] && r.LevelOrigin != t.LevelOrigin:
			// The two numbers count from different places.
		default:
			c.errs[q] = append(c.errs[q], deviation{truth: x, err: difference(q, v.X, x), u95: v.U95, source: f.Source})
		}
	}
}

// count adds to right or wrong; an empty answer is neither.
func count[T ~string](right, wrong *int, got, want T) {
	switch got {
	case "":
	case want:
		*right++
	default:
		*wrong++
	}
}

// countsFromOrigin are the columns that are levels, or depend on where levels
// count from.
var countsFromOrigin = map[measure.Quantity]bool{
	measure.VisibleFrom: true, measure.VisibleTo: true, measure.IsthmusLevel: true,
	measure.BowApex: true,
}

// difference returns got − want. The direction of a line repeats at 180°.
func difference(q measure.Quantity, got, want float64) float64 {
	if q == measure.ShaftAxis {
		return math.Remainder(got-want, 180)
	}
	return got - want
}

// group sums the collection up, columns in the order of measurements.csv.
func (c *collection) group(name string) Group {
	g := Group{Name: name, Tally: c.tally, Status: counts(c.status), Reasons: counts(c.reasons), Focal: c.focalReport(), Lines: c.linesReport(),
		Metal: c.metalReport(), Kinds: c.kindsReport(), Turned: c.turnedReport(), cortex: spread(c.pooled(isCortex))}
	all := spread(c.pooled(func(measure.Quantity) bool { return true }))
	g.U95 = all.rate()
	if c.broken.Flagged.Whole+c.broken.False.Part > 0 {
		g.Broken = &c.broken
	}
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		if !col.Uncertain || c.truths[q] == 0 && c.values[q] == 0 {
			continue
		}
		g.Columns = append(g.Columns, Column{Name: col.Name, Unit: col.Unit, Digits: col.Digits,
			Truths: c.truths[q], Values: c.values[q], Extra: c.extra[q], Spread: spread(c.errs[q])})
		if q == measure.BowRadius {
			g.Columns = append(g.Columns, Column{Name: col.Name, Unit: "%", Digits: 1,
				Truths: c.truths[q], Values: c.values[q], Extra: c.extra[q], Spread: spread(relative(c.errs[q]))})
		}
	}
	return g
}

// relative returns the deviations in per cent of their truths.
func relative(d []deviation) []deviation {
	out := slices.Clone(d)
	for i, e := range d {
		k := 100 / math.Abs(e.truth)
		out[i].err, out[i].u95 = e.err*k, e.u95*k
	}
	return out
}

// pooled returns the errors of several columns together.
func (c *collection) pooled(in func(measure.Quantity) bool) []deviation {
	var d []deviation
	for _, col := range measure.Columns {
		if q := measure.Quantity(col.Name); in(q) {
			d = append(d, c.errs[q]...)
		}
	}
	return d
}
