package accuracy

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
	Femurs           int `json:"femurs"` // true ones that are whole
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
	Name    string        `json:"name"`
	Tally   Tally         `json:"tally"`
	Status  []Count       `json:"status"`  // rows by status, the most frequent first
	Reasons []Count       `json:"reasons"` // rows by reason
	U95     Rate          `json:"u95"`     // truths within the u95, of all columns
	Focal   *Focal        `json:"focal,omitempty"`
	Lines   *Lines        `json:"lines,omitempty"`
	Metal   *Metal        `json:"metal,omitempty"`
	Kinds   []Kind        `json:"without_femur,omitempty"`
	Broken  *Broken       `json:"broken,omitempty"`
	Turned  []TurnedClass `json:"leg_turned,omitempty"`
	Columns []Column      `json:"columns"`

	cortex Spread // pooled over the levels
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
	r.Checks = checks(clean, groups, long, r.Groups)
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

// isCortex says whether a column is a cortical thickness at a level.
func isCortex(q measure.Quantity) bool { return strings.Contains(string(q), "_cortex_") }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// percent writes a part of a whole, and what it is a part of.
func percent(part, whole int) string {
	if whole == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %% (%d of %d)", 100*float64(part)/float64(whole), part, whole)
}
