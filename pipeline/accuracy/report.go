package accuracy

import (
	"fmt"
	"math"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/pipeline/simulate"
)

// Film is one simulated film: its truth and the rows that it got. Rows is empty
// when the output has none for it.
// The truth is that of frame 1: rows of further frames are left out.
type Film struct {
	Source string
	Truth  simulate.Truth
	Rows   []measure.Femur
}

// Tally counts what was found on a group of films.
type Tally struct {
	Films            int `json:"films"`
	FilmsWithoutRow  int `json:"films_without_row"`
	Femurs           int `json:"femurs"` // true ones
	Found            int `json:"found"`  // true ones that have a row
	Rows             int `json:"rows"`   // that claim a femur
	RowsWithoutTruth int `json:"rows_without_truth"`
	SideRight        int `json:"side_right"` // of found femurs; neither right nor wrong is empty
	SideWrong        int `json:"side_wrong"`
	ViewRight        int `json:"view_right"`
	ViewWrong        int `json:"view_wrong"`
	Reversed         int `json:"reversed"`       // mid-line from distal to proximal
	Swapped          int `json:"swapped"`        // lateral and medial, or anterior and posterior, exchanged
	OriginDiffers    int `json:"origin_differs"` // level origin is not the truth's
	ScaleDiffers     int `json:"scale_differs"`  // scale basis is not the truth's
}

// Column is how well one column was measured on a group of films.
type Column struct {
	Name   string
	Unit   string
	Digits int
	Truths int // true femurs that have the quantity
	Values int // found femurs that have a value for it
	Extra  int // values where the truth has none
	Spread     // of values less truths
}

// Group is the result on the films of one group. Only columns with a truth or a
// value are there.
type Group struct {
	Name    string   `json:"name"`
	Tally   Tally    `json:"tally"`
	Columns []Column `json:"columns"`
}

// Report is the result of a comparison.
type Report struct {
	Checks []Check `json:"checks"`
	Groups []Group `json:"groups"` // "all" first, then the groups by name
	// Findings are the films to look at: what was missed or mistaken on each.
	Findings []Finding `json:"findings"`
}

// Finding is one thing that is wrong with the rows of a film.
type Finding struct {
	Source string `json:"source"`
	What   string `json:"what"`
}

// Options names what the checks need to know.
type Options struct {
	Clean []string // groups whose films are clean; none: all groups
}

// All is the name of the group that holds every film.
const All = "all"

// Compare compares films with their truths.
func Compare(films []Film, o Options) *Report {
	groups := map[string]*collection{All: newCollection()}
	long := newCollection() // femurs with at least longShaft of diaphysis
	findings := []Finding{}
	for i := range films {
		f := films[i].firstFrame()
		name := f.Truth.Group
		if groups[name] == nil {
			groups[name] = newCollection()
		}
		pairs := match(f.Truth.Femurs, f.Truth.Spacing, f.Rows)
		for _, what := range find(f, pairs) {
			findings = append(findings, Finding{f.Source, what})
		}
		groups[All].add(f, pairs)
		if name != All {
			groups[name].add(f, pairs)
		}
		for _, p := range pairs {
			if t := &f.Truth.Femurs[p.truth]; t.DiaphysisTo-t.DiaphysisFrom >= longShaft {
				long.addFemur(f, p)
			}
		}
	}
	r := &Report{Findings: findings}
	var names []string
	for name := range groups {
		if name != All {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range append([]string{All}, names...) {
		r.Groups = append(r.Groups, groups[name].group(name))
	}
	clean := Tally{}
	for _, g := range r.Groups[1:] {
		if len(o.Clean) == 0 || slices.Contains(o.Clean, g.Name) {
			clean.Femurs += g.Tally.Femurs
			clean.Found += g.Tally.Found
		}
	}
	r.Checks = checks(clean, groups[All], long)
	return r
}

// firstFrame returns the film with the rows of its first frame alone.
func (f Film) firstFrame() *Film {
	var rows []measure.Femur
	for _, r := range f.Rows {
		if r.Record.Frame <= 1 {
			rows = append(rows, r)
		}
	}
	f.Rows = rows
	return &f
}

// collection gathers the errors of some films by column.
type collection struct {
	tally  Tally
	truths map[measure.Quantity]int
	values map[measure.Quantity]int
	extra  map[measure.Quantity]int
	errs   map[measure.Quantity][]deviation
}

func newCollection() *collection {
	return &collection{truths: map[measure.Quantity]int{}, values: map[measure.Quantity]int{},
		extra: map[measure.Quantity]int{}, errs: map[measure.Quantity][]deviation{}}
}

func (c *collection) add(f *Film, pairs []pair) {
	c.tally.Films++
	if len(f.Rows) == 0 {
		c.tally.FilmsWithoutRow++
	}
	found := 0
	for _, p := range pairs {
		if p.row >= 0 {
			found++
		}
		c.addFemur(f, p)
	}
	claims := 0
	for i := range f.Rows {
		if claimed(&f.Rows[i]) {
			claims++
		}
	}
	c.tally.Rows += claims
	c.tally.RowsWithoutTruth += claims - found
}

// claimed says whether a row says anything of a femur.
func claimed(f *measure.Femur) bool { return len(f.Record.Values) > 0 || measured(f) }

// find lists what is wrong with the rows of f, numbers aside.
func find(f *Film, pairs []pair) (what []string) {
	say := func(wrong bool, format string, a ...any) {
		if wrong {
			what = append(what, fmt.Sprintf(format, a...))
		}
	}
	say(len(f.Rows) == 0, "no row")
	used := map[int]bool{}
	for _, p := range pairs {
		t := &f.Truth.Femurs[p.truth]
		name := fmt.Sprintf("%s %s femur, %.0f mm of diaphysis", t.Side, t.View, t.DiaphysisTo-t.DiaphysisFrom)
		if p.row < 0 {
			say(true, "%s: not found", name)
			continue
		}
		used[p.row] = true
		r := &f.Rows[p.row].Record
		say(r.Side != "" && r.Side != t.Side, "%s: side %s", name, r.Side)
		say(r.View != "" && r.View != t.View, "%s: view %s", name, r.View)
		say(p.swapped, "%s: edges exchanged", name)
		say(p.reversed, "%s: upside down", name)
	}
	for i := range f.Rows {
		say(!used[i] && claimed(&f.Rows[i]), "row %d: on no true femur", i+1)
	}
	return what
}

// addFemur counts one true femur and the errors of its row.
func (c *collection) addFemur(f *Film, p pair) {
	t := &f.Truth.Femurs[p.truth]
	c.tally.Femurs++
	for q, x := range t.Values {
		if finite(x) {
			c.truths[q]++
		}
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
	measure.BowApex: true, measure.FocalLevel: true,
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
	g := Group{Name: name, Tally: c.tally}
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

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// percent writes a part of a whole, and what it is a part of.
func percent(part, whole int) string {
	if whole == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %% (%d of %d)", 100*float64(part)/float64(whole), part, whole)
}
