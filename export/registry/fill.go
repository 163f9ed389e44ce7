package registry

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"shaftgauge/export"
	"shaftgauge/measure"
)

// Film is a femur on a film, with the values that count for it: those of its
// reviewer where a person reviewed it, else the measured ones.
type Film struct {
	Record   measure.Record
	Reviewed bool
	Rejected bool // by its reviewer: nothing of it is used
	date     time.Time
	dated    bool
}

// Hash turns numbers into the keys that films carry.
type Hash interface {
	Patient(issuer, number string) string
	Accession(number string) string
}

// Action is what became of a cell.
type Action string

// The actions.
const (
	Filled    Action = "filled"
	Refused   Action = "refused"   // empty, and no film can fill it
	Kept      Action = "kept"      // holds a value that the films do not contradict
	Disagrees Action = "disagrees" // holds a value that the films contradict; not touched
)

// Line is one line of the audit.
type Line struct {
	Row      int // of the registry's table, its header being row 1
	Column   string
	Action   Action
	Why      string // of a refusal or a disagreement
	Held     string // what the registry holds
	Film     string // source#frame side
	Value    measure.Value
	HasValue bool
	Reviewed bool
}

// Result is a filled table and its audit.
type Result struct {
	Table [][]string // header first; companions beside each filled column
	Audit []Line
	Count map[Action]int
}

// The companions of a filled column, as suffixes of its name.
var companions = []string{"_film", "_u95", "_reviewed", "_version"}

// Fill fills the empty cells of table, header first, from films. version is that
// of the program that measured. The input is not changed.
//
// Errors: a column that the map names is not in the table, or a companion's name
// is taken.
func Fill(table [][]string, m Map, films []Film, hash Hash, version string) (Result, error) {
	if len(table) == 0 {
		return Result{}, errors.New("registry: the table is empty")
	}
	r := Result{Count: map[Action]int{}}
	at := map[string]int{}
	for i, name := range table[0] {
		name = strings.TrimSpace(name)
		if name == "" { // of columns that spreadsheets add behind the last; no map can mean it
			continue
		}
		if _, twice := at[name]; twice {
			return r, fmt.Errorf("registry: column %q is there twice", name)
		}
		at[name] = i
	}
	for _, name := range m.columns() {
		if _, ok := at[name]; !ok {
			return r, fmt.Errorf("registry: no column %q", name)
		}
	}
	cells := map[int]Cell{}
	for _, c := range m.Fill {
		i, ok := at[c.Column]
		if !ok {
			return r, fmt.Errorf("registry: no column %q", c.Column)
		}
		for _, suffix := range companions {
			if _, taken := at[c.Column+suffix]; taken {
				return r, fmt.Errorf("registry: column %q is there already: fill the table as it was before", c.Column+suffix)
			}
		}
		cells[i] = c
	}
	films = slices.Clone(films)
	for i := range films {
		d, err := time.Parse("20060102", films[i].Record.StudyDate)
		films[i].date, films[i].dated = d, err == nil
	}
	f := filler{m: m, films: films, hash: hash, at: at}
	if d := m.Match.Date; d != nil {
		f.layout, _ = layout(d.Layout) // checked with the map
	}
	for n, row := range table {
		if len(row) != len(table[0]) {
			return r, fmt.Errorf("registry: row %d has %d cells, the header %d", n+1, len(row), len(table[0]))
		}
		var out []string
		var found match
		if n > 0 {
			found = f.match(row)
		}
		for i, held := range row {
			c, mapped := cells[i]
			switch {
			case !mapped:
				out = append(out, held)
			case n == 0:
				out = append(out, held)
				for _, suffix := range companions {
					out = append(out, c.Column+suffix)
				}
			default:
				line := f.cell(c, held, found)
				line.Row = n + 1
				r.Audit = append(r.Audit, line)
				r.Count[line.Action]++
				beside := make([]string, len(companions))
				if line.Action == Filled {
					held = number(line.Value.X, *c.Digits, m.Decimal)
					beside = []string{export.SafeText(line.Film), number(line.Value.U95, *c.Digits+1, m.Decimal), yesNo(line.Reviewed), version}
				}
				out = append(append(out, held), beside...)
			}
		}
		r.Table = append(r.Table, out)
	}
	return r, nil
}

type filler struct {
	m      Map
	films  []Film
	hash   Hash
	at     map[string]int
	layout string
}

// match is the films of one row, or why there are none.
type match struct {
	films []*Film
	date  time.Time
	dated bool // the row has a date to be near to
	why   string
}

// match finds the films of a row.
func (f *filler) match(row []string) match {
	read := func(column string) string { return strings.TrimSpace(row[f.at[column]]) }
	var out match
	var patientKey, accessionKey string
	if p := f.m.Match.Patient; p != nil {
		number := read(p.Column)
		if number == "" {
			return match{why: "the row has no patient number"}
		}
		patientKey = f.hash.Patient(p.Issuer, number)
	}
	if a := f.m.Match.Accession; a != nil {
		number := read(a.Column)
		if number == "" {
			return match{why: "the row has no accession number"}
		}
		accessionKey = f.hash.Accession(number)
	}
	var side measure.Side
	if s := f.m.Match.Side; s != nil {
		word := read(s.Column)
		is := func(w string) bool { return strings.EqualFold(w, word) }
		switch {
		case slices.ContainsFunc(s.Right, is):
			side = measure.Right
		case slices.ContainsFunc(s.Left, is):
			side = measure.Left
		default:
			return match{why: fmt.Sprintf("the row's side %q is neither right nor left", word)}
		}
	}
	if d := f.m.Match.Date; d != nil {
		day, err := time.Parse(f.layout, read(d.Column))
		if err != nil {
			return match{why: fmt.Sprintf("the row's date %q is not of the form %s", read(d.Column), d.Layout)}
		}
		out.date, out.dated = day, true
	}
	// Why the nearest film was not taken: the last part that one passed.
	why := "no film of this patient or accession number"
	for i := range f.films {
		film := &f.films[i]
		if patientKey != "" && film.Record.PatientKey != patientKey || accessionKey != "" && film.Record.AccessionKey != accessionKey {
			continue
		}
		if side != "" && film.Record.Side != side {
			if why == "no film of this patient or accession number" {
				why = "no film of this side"
			}
			continue
		}
		if out.dated {
			d := f.m.Match.Date
			days := film.date.Sub(out.date).Hours() / 24
			if !film.dated || days < -float64(d.Before) || days > float64(d.After) {
				why = "no film within the days allowed"
				continue
			}
		}
		out.films = append(out.films, film)
	}
	if len(out.films) == 0 {
		out.why = why
	}
	return out
}

// cell decides on one cell.
func (f *filler) cell(c Cell, held string, found match) Line {
	line := Line{Column: c.Column, Held: held}
	best, why := f.best(c, found)
	if best != nil {
		r := &best.Record
		line.Film = strings.TrimSpace(fmt.Sprintf("%s#%d %s", r.Source, r.Frame, r.Side))
		line.Value, line.HasValue, line.Reviewed = r.Values[c.Quantity], true, best.Reviewed
	}
	switch {
	case strings.TrimSpace(held) == "" && best != nil:
		line.Action = Filled
	case strings.TrimSpace(held) == "":
		line.Action, line.Why = Refused, why
	default:
		line.Action = Kept
		if why := f.contradicts(held, line); best != nil && why != "" {
			line.Action, line.Why = Disagrees, why
		}
	}
	return line
}

// contradicts says how a held value differs from the film's by more than their
// combined uncertainty; empty when it does not. What is held is known to half of
// its last digit.
func (f *filler) contradicts(held string, line Line) string {
	held = strings.TrimSpace(held)
	if f.m.Decimal != "." {
		held = strings.Replace(held, f.m.Decimal, ".", 1)
	}
	x, err := strconv.ParseFloat(held, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return "what is held is not a number"
	}
	digits := 0
	if _, fraction, ok := strings.Cut(held, "."); ok {
		digits = len(fraction)
	}
	u95 := math.Hypot(line.Value.U95, 0.5*math.Pow(10, -float64(digits)))
	if d := math.Abs(x - line.Value.X); d > u95 {
		return fmt.Sprintf("differs by %.3g, combined uncertainty %.3g", d, u95)
	}
	return ""
}

// best returns the film that fills c, or why there is none.
func (f *filler) best(c Cell, found match) (*Film, string) {
	if len(found.films) == 0 {
		return nil, found.why
	}
	var fit []*Film
	why := "no film of view " + string(c.View)
	for _, film := range found.films {
		if c.View != "" && film.Record.View != c.View {
			continue
		}
		if film.Rejected {
			why = "a reviewer rejected the film's row"
			continue
		}
		if _, ok := film.Record.Values[c.Quantity]; !ok {
			why = "not measured on the film"
			if codes := film.Record.WhyEmpty(c.Quantity); len(codes) > 0 {
				why = fmt.Sprintf("%s: %s", why, strings.Trim(fmt.Sprint(codes), "[]"))
			}
			continue
		}
		fit = append(fit, film)
	}
	if len(fit) == 0 {
		return nil, why
	}
	if f.m.Match.Side == nil && both(fit, measure.Right, measure.Left, func(r *measure.Record) measure.Side { return r.Side }) {
		return nil, "films of both legs fit, and the map names no column for the side"
	}
	if c.View == "" && both(fit, measure.AP, measure.Lateral, func(r *measure.Record) measure.View { return r.View }) {
		return nil, "films of both views fit, and the map names no view: the planes differ"
	}
	slices.SortStableFunc(fit, func(a, b *Film) int { return f.compare(a, b, c, found) })
	return fit[0], ""
}

// both tells whether there are films of which a word of the row is a, and others of
// which it is b.
func both[T comparable](films []*Film, a, b T, word func(*measure.Record) T) bool {
	with := func(x T) bool {
		return slices.ContainsFunc(films, func(f *Film) bool { return word(&f.Record) == x })
	}
	return with(a) && with(b)
}

// compare puts the better film first; what no rule tells apart goes by name.
func (f *filler) compare(a, b *Film, c Cell, found match) int {
	for _, o := range f.m.Prefer {
		var x, y float64
		switch o {
		case NearestDate:
			if !found.dated {
				continue
			}
			x, y = math.Abs(a.date.Sub(found.date).Hours()), math.Abs(b.date.Sub(found.date).Hours())
		case Reviewed:
			if a.Reviewed == b.Reviewed {
				continue
			}
			x, y = 1, 0
			if a.Reviewed {
				x, y = 0, 1
			}
		case SmallestU95:
			x, y = a.Record.Values[c.Quantity].U95, b.Record.Values[c.Quantity].U95
		}
		if x != y {
			if x < y {
				return -1
			}
			return 1
		}
	}
	if n := strings.Compare(a.Record.Source, b.Record.Source); n != 0 {
		return n
	}
	return a.Record.Frame - b.Record.Frame
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
