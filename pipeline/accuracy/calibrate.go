package accuracy

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"shaftgauge/measure"
	"shaftgauge/pipeline/calibration"
)

const (
	leastFactor, mostFactor = 0.4, 4.0
	leastFitted             = 30 // values that give a factor
	leastReal               = 10 // of them of real surfaces, for a factor below 1
	fullWeight              = 20 // values from which on a population weighs in full
)

// Calibrated is what one half of the films says of a column's uncertainty, and what
// the other half says to that.
type Calibrated struct {
	Column string
	Kept   float64 // factor of this version, with which the rows came
	Factor float64 // of the next one, from the first half
	Fitted Rate    // first half, as the rows came
	Before Rate    // second half, as the rows came
	Proven Rate    // second half, with Factor
	Real   Rate    // of Proven, on films of real surfaces
}

// Calibration is a set of factors with its proof.
type Calibration struct {
	Columns []Calibrated
	Groups  []GroupCover // second half, with the new factors, all columns together
}

// GroupCover is the coverage on one group.
type GroupCover struct {
	Name    string
	Covered Rate
}

// miss is an error as a multiple of its u95.
type miss struct {
	ratio float64
	real  bool
	group string
	proof bool
}

// Calibrate fits the factors of package calibration on one half of the films and
// proves them on the other. The halves are drawn by each film's name. isReal says
// which groups are of real surfaces: they weigh as much as all the others
// together, and without them no factor is made smaller: bones that are less like
// the simulator's have greater errors.
func Calibrate(films []Film, isReal func(group string) bool) Calibration {
	misses := make(map[measure.Quantity][]miss)
	for i := range films {
		f := films[i].firstFrame()
		h := fnv.New32a()
		io.WriteString(h, f.Source)
		m := miss{group: f.Truth.Group, real: isReal(f.Truth.Group), proof: h.Sum32()>>7&1 == 1}
		for _, p := range match(f.Truth.Femurs, f.Truth.Spacing, f.Rows) {
			one := newCollection()
			one.addFemur(f, p)
			for q, errs := range one.errs {
				for _, e := range errs {
					if e.u95 > 0 {
						m.ratio = math.Abs(e.err) / e.u95
						misses[q] = append(misses[q], m)
					}
				}
			}
		}
	}
	families := make(map[string][]miss)
	for q, m := range misses {
		if !calibration.Tied(q) {
			families[family(q)] = append(families[family(q)], m...)
		}
	}
	var out Calibration
	groups := make(map[string]*Rate)
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		if len(misses[q]) == 0 {
			continue
		}
		c := Calibrated{Column: col.Name, Kept: calibration.Kept().Factor(q)}
		more := change(families[family(q)])
		c.Factor = min(max(c.Kept*more, leastFactor), mostFactor)
		more = c.Factor / c.Kept
		for _, m := range misses[q] {
			if !m.proof {
				c.Fitted.count(m.ratio <= 1)
				continue
			}
			within := m.ratio <= more
			c.Before.count(m.ratio <= 1)
			c.Proven.count(within)
			if m.real {
				c.Real.count(within)
			}
			if groups[m.group] == nil {
				groups[m.group] = new(Rate)
			}
			groups[m.group].count(within)
		}
		out.Columns = append(out.Columns, c)
	}
	for name, c := range groups {
		out.Groups = append(out.Groups, GroupCover{name, *c})
	}
	slices.SortFunc(out.Groups, func(a, b GroupCover) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// family names the columns that share a factor, as they share their causes and
// single ones are too few: the cortex of all sides, the outer width, the canal
// and the cortical index, each at the two upper and at the two lower levels; the
// diaphysis' end and its length; a radius and its curvature.
func family(q measure.Quantity) string {
	switch {
	case calibration.Tied(q):
		return string(measure.BowCurvature)
	case q == measure.BowSpan:
		return string(measure.VisibleTo)
	}
	for i, level := range measure.Levels {
		for _, v := range []measure.View{measure.AP, measure.Lateral} {
			for _, positive := range []bool{true, false} {
				if q == measure.CortexAt(v, positive, level) {
					return fmt.Sprint("cortex", i/2)
				}
			}
		}
		for name, of := range map[string]measure.Quantity{"outer": measure.OuterWidthAt(level), "canal": measure.CanalWidthAt(level), "index": measure.CorticalIndexAt(level)} {
			if q == of {
				return fmt.Sprint(name, i/2)
			}
		}
	}
	return string(q)
}

// change is the factor that brings the coverage of the first half to 95 %.
func change(all []miss) float64 {
	var n [2]int
	var fit []miss
	for _, m := range all {
		if !m.proof {
			fit = append(fit, m)
			n[population(m)]++
		}
	}
	if len(fit) < leastFitted {
		return 1
	}
	slices.SortFunc(fit, func(a, b miss) int { return cmp.Compare(a.ratio, b.ratio) })
	weight := func(m miss) float64 { return 1 / float64(max(n[population(m)], fullWeight)) }
	total := 0.0
	for _, m := range fit {
		total += weight(m)
	}
	at := func(p float64) float64 {
		below := 0.0
		for _, m := range fit {
			if below += weight(m); below >= p*total {
				return m.ratio
			}
		}
		return fit[len(fit)-1].ratio
	}
	// The 95th percentile hangs on a few outliers; the 90th, times the ratio of
	// the two in a normal distribution, steadies it.
	factor := math.Sqrt(at(0.95) * at(0.90) * 1.960 / 1.645)
	if n[1] < leastReal {
		return max(factor, 1)
	}
	return factor
}

func population(m miss) int {
	if m.real {
		return 1
	}
	return 0
}

// Table returns the factors that are not 1.
func (c Calibration) Table() calibration.Table {
	t := make(calibration.Table)
	for _, col := range c.Columns {
		if q := measure.Quantity(col.Column); !calibration.Tied(q) && math.Abs(col.Factor-1) > 0.005 {
			t[q] = col.Factor
		}
	}
	return t
}

// WriteText writes the factors and their proof.
func (c Calibration) WriteText(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "column\tkept\tfactor\tfitted half\tother half before\tand after\tof real surfaces\t")
	for _, col := range c.Columns {
		fmt.Fprintf(t, "%s\t%.3g\t%.3g\t%s\t%s\t%s\t%s\t\n", col.Column, col.Kept, col.Factor,
			judged(col.Fitted), judged(col.Before), judged(col.Proven), judged(col.Real))
	}
	fmt.Fprintln(t, "\t\t\t\t\t\t\t")
	for _, g := range c.Groups {
		fmt.Fprintf(t, "%s\t\t\t\t\t%s\t\t\n", g.Name, judged(g.Covered))
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("accuracy: %w", err)
	}
	return nil
}

// judged writes a coverage with what its counts tell.
func judged(r Rate) string { return fmt.Sprintf("%s %s", r, coverage(r)) }
