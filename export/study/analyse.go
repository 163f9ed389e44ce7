package study

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/agreement"
)

// leastFilms is the fewest films on which agreement is computed.
const leastFilms = 4

// Comparison is one reader, or all, against another on a quantity. A part that
// the readings do not determine is nil.
type Comparison struct {
	First, Second string
	X, Y          []float64 // means over repeats, by film
	Limits        *agreement.Limits
	Concordance   *agreement.Coefficient
	Line          *agreement.DemingLine
	ICC           *agreement.ICC
}

// Repeat is one reader against himself.
type Repeat struct {
	Reader             string
	Films              int
	SD, SmallestChange float64
}

// Quantity is the agreement on one quantity.
type Quantity struct {
	Column      measure.Column
	Comparisons []Comparison   // program against each reader, then readers among each other
	Panel       *agreement.ICC // all readers, on the films that all of them read
	PanelNames  []string
	Repeats     []Repeat
}

// Grading is one reader against another on a finding.
type Grading struct {
	First, Second            string
	Table                    [][]int // first by row
	Plain, Linear, Quadratic *agreement.Coefficient
	// Where the first is the program: the second is the reference.
	Detection                *agreement.Detection
	Sensitivity, Specificity *agreement.Proportion
	Curve                    *agreement.Curve // of the review order
	Load                     []agreement.Load
}

// Finding is the agreement on one finding.
type Finding struct {
	Name     string
	Gradings []Grading
}

// Report is the whole comparison.
type Report struct {
	Films      int // with at least one reading
	Readers    []string
	Quantities []Quantity
	Findings   []Finding
}

// Analyse compares readings with each other and with the records they belong to.
func Analyse(r *Readings, records []measure.Record) *Report {
	out := &Report{Readers: r.Readers}
	films := map[int]bool{}
	for _, q := range r.Quantities {
		for film := range r.Values[q] {
			films[film] = true
		}
		out.Quantities = append(out.Quantities, quantity(r, q, records))
	}
	for _, name := range r.Findings {
		for film := range r.Grades[name] {
			films[film] = true
		}
		out.Findings = append(out.Findings, finding(r, name, records))
	}
	out.Films = len(films)
	return out
}

// pairs lists whom to compare: the program with each reader, readers with each
// other.
func pairs(readers []string) (out [][2]string) {
	for i, a := range readers {
		out = append(out, [2]string{Program, a})
		for _, b := range readers[i+1:] {
			out = append(out, [2]string{a, b})
		}
	}
	slices.SortStableFunc(out, func(a, b [2]string) int {
		return -cmp.Compare(btoi(a[0] == Program), btoi(b[0] == Program))
	})
	return out
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func quantity(r *Readings, q measure.Quantity, records []measure.Record) Quantity {
	out := Quantity{Column: measure.ColumnOf(q)}
	values := r.Values[q]
	order := sortedKeys(values)
	read := func(film int, reader string) (float64, bool) {
		if reader == Program {
			v, ok := records[film].Values[q]
			return v.X, ok
		}
		v := values[film][reader]
		sum := 0.0
		for _, x := range v {
			sum += x / float64(len(v))
		}
		return sum, len(v) > 0
	}
	for _, pair := range pairs(r.Readers) {
		c := Comparison{First: pair[0], Second: pair[1]}
		var both [][]float64
		for _, film := range order {
			x, okX := read(film, pair[0])
			y, okY := read(film, pair[1])
			if okX && okY {
				c.X, c.Y = append(c.X, x), append(c.Y, y)
				both = append(both, []float64{x, y})
			}
		}
		if len(c.X) >= leastFilms {
			c.Limits = known(agreement.BlandAltman(c.X, c.Y))
			c.Concordance = known(agreement.Concordance(c.X, c.Y))
			c.Line = known(agreement.Deming(c.X, c.Y, 1))
			c.ICC = known(agreement.IntraClass(both))
		}
		out.Comparisons = append(out.Comparisons, c)
	}
	if len(r.Readers) > 1 {
		var panel [][]float64
		for _, film := range order {
			row := make([]float64, 0, len(r.Readers))
			for _, reader := range r.Readers {
				if x, ok := read(film, reader); ok {
					row = append(row, x)
				}
			}
			if len(row) == len(r.Readers) {
				panel = append(panel, row)
			}
		}
		if len(panel) >= leastFilms {
			out.Panel, out.PanelNames = known(agreement.IntraClass(panel)), r.Readers
		}
	}
	for _, reader := range r.Readers {
		var repeats [][]float64
		n := 0
		for _, film := range order {
			if v := values[film][reader]; len(v) > 1 {
				repeats = append(repeats, v)
				n++
			}
		}
		if sd, err := agreement.WithinSubject(repeats); err == nil {
			out.Repeats = append(out.Repeats, Repeat{reader, n, sd, agreement.SmallestDetectableChange(sd)})
		}
	}
	return out
}

func finding(r *Readings, name string, records []measure.Record) Finding {
	out := Finding{Name: name}
	grades := r.Grades[name]
	order := sortedKeys(grades)
	read := func(film int, reader string) (int, bool) {
		if reader == Program {
			return findings[name](&records[film])
		}
		v := grades[film][reader]
		if len(v) == 0 {
			return 0, false
		}
		return v[0], true // a repeat does not decide over the first reading
	}
	for _, pair := range pairs(r.Readers) {
		g := Grading{First: pair[0], Second: pair[1]}
		var a, b []int
		var score []float64
		var ranked []int // films with a rank and a reading of the second
		most := 1
		for _, film := range order {
			x, okX := read(film, pair[0])
			y, okY := read(film, pair[1])
			if _, ok := records[film].Values[measure.ReviewRank]; ok && okY {
				ranked = append(ranked, film)
			}
			if !okX || !okY {
				continue
			}
			if pair[0] == Program { // who only says yes or no is compared with that
				y = min(y, 1)
			}
			a, b = append(a, x), append(b, y)
			most = max(most, x, y)
		}
		g.Table = make([][]int, most+1)
		for i := range g.Table {
			g.Table[i] = make([]int, most+1)
		}
		for i := range a {
			g.Table[a[i]][b[i]]++
		}
		if len(a) >= leastFilms {
			g.Plain = known(agreement.Kappa(g.Table, agreement.Plain))
			g.Linear = known(agreement.Kappa(g.Table, agreement.Linear))
			g.Quadratic = known(agreement.Kappa(g.Table, agreement.Quadratic))
		}
		if pair[0] == Program {
			d := agreement.Detection{TP: g.Table[1][1], FP: g.Table[1][0], FN: g.Table[0][1], TN: g.Table[0][0]}
			g.Detection = &d
			g.Sensitivity, g.Specificity = known(d.Sensitivity()), known(d.Specificity())
			rank := func(film int) float64 { return records[film].Values[measure.ReviewRank].X }
			slices.SortFunc(ranked, func(a, b int) int { return cmp.Compare(rank(a), rank(b)) })
			positive := make([]bool, len(ranked))
			for i, film := range ranked {
				y, _ := read(film, pair[1])
				positive[i] = y > 0
				score = append(score, -rank(film))
			}
			g.Curve = known(agreement.Area(score, positive))
			g.Load = agreement.Workload(positive)
		}
		out.Gradings = append(out.Gradings, g)
	}
	return out
}

// known is nil where the readings do not determine v.
func known[T any](v T, err error) *T {
	if err != nil {
		return nil
	}
	return &v
}

func sortedKeys[V any](m map[int]V) []int {
	out := make([]int, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

var errNothing = errors.New("study: no reading can be compared")

// Check returns an error when nothing at all could be compared.
func (r *Report) Check() error {
	for _, q := range r.Quantities {
		for _, c := range q.Comparisons {
			if len(c.X) > 0 {
				return nil
			}
		}
	}
	for _, f := range r.Findings {
		for _, g := range f.Gradings {
			for _, row := range g.Table {
				if slices.Max(row) > 0 {
					return nil
				}
			}
		}
	}
	return fmt.Errorf("%w: %d readers", errNothing, len(r.Readers))
}
