package accuracy

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"shaftgauge/measure"
)

// Kind counts the films of one kind of picture without a femur.
type Kind struct {
	Name    string `json:"name"`
	Films   int    `json:"films"`
	Claims  int    `json:"claims"`  // with a row that is not not_measured
	Numbers int    `json:"numbers"` // with any number in a row
}

// Broken is how displaced fractures were told.
type Broken struct {
	Flagged Rate `json:"flagged"` // femurs
	Bows    int  `json:"bows"`    // broken femurs' films with a bow in a row
	False   Rate `json:"false"`   // rows of whole femurs
}

// TurnedClass counts the rows of AP femurs by how far their leg is turned.
type TurnedClass struct {
	Name    string `json:"name"`
	Flagged Rate   `json:"flagged"`
}

// turnedClasses are the rotations in degrees, from and below, that are counted
// apart.
var turnedClasses = []struct {
	name string
	from float64
}{{"below 5 deg", 0}, {"5 to 10 deg", 5}, {"10 to 15 deg", 10}, {"15 to 20 deg", 15}, {"20 deg or more", 20}}

// bows are the numbers that a broken shaft does not have.
var bows = []measure.Quantity{measure.BowCurvature, measure.BowRadius, measure.BowAngle, measure.BowAngle50, measure.BowSagitta, measure.BowApex}

// numbers says whether a row holds any number.
func numbers(r *measure.Femur) bool { return len(r.Record.Values)+len(r.Focal)+len(r.Nails) > 0 }

// addRefusals counts what was said of a film as a whole.
func (c *collection) addRefusals(f *Film, pairs []pair) {
	if kind := f.Truth.Content; kind != "" && len(f.Truth.Femurs) == 0 {
		k := c.kinds[kind]
		k.Name = kind
		k.Films++
		if slices.ContainsFunc(f.Rows, func(r measure.Femur) bool { return r.Record.Status != measure.StatusNotMeasured }) {
			k.Claims++
		}
		if slices.ContainsFunc(f.Rows, func(r measure.Femur) bool { return numbers(&r) }) {
			k.Numbers++
		}
		c.kinds[kind] = k
	}
	for i := range f.Rows {
		r := &f.Rows[i].Record
		c.status[r.Status]++
		for _, why := range r.Reasons {
			c.reasons[why]++
		}
		c.addEmpty(r)
	}
	for _, p := range pairs {
		t := &f.Truth.Femurs[p.truth]
		if t.Broken {
			c.broken.Flagged.count(f.discontinuous())
			if f.bowGiven() {
				c.broken.Bows++
			}
			continue
		}
		if p.row < 0 {
			continue
		}
		r := &f.Rows[p.row].Record
		c.broken.False.count(slices.Contains(r.Reasons, measure.ShaftDiscontinuous))
		if t.View == measure.AP {
			k := len(turnedClasses) - 1
			for math.Abs(t.Rotation) < turnedClasses[k].from {
				k--
			}
			c.turned[k].Flagged.count(slices.Contains(r.Reasons, measure.LegTurned))
		}
	}
}

// addEmpty counts the cells that a film of the row's view can fill and that are
// empty, and those of them that no reason of the row explains.
func (c *collection) addEmpty(r *measure.Record) {
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		if !col.Uncertain && q != measure.FocalCount {
			continue
		}
		if _, have := r.Values[q]; !have && measure.Gives(r.View, q) && !r.NoneThere(q) {
			c.unexplained.count(len(r.WhyEmpty(q)) == 0)
		}
	}
}

// discontinuous says whether a row calls its shaft discontinuous.
func (f *Film) discontinuous() bool {
	return slices.ContainsFunc(f.Rows, func(r measure.Femur) bool {
		return slices.Contains(r.Record.Reasons, measure.ShaftDiscontinuous)
	})
}

// bowGiven says whether a row has a number of the bow.
func (f *Film) bowGiven() bool {
	return slices.ContainsFunc(f.Rows, func(r measure.Femur) bool {
		return slices.ContainsFunc(bows, func(q measure.Quantity) bool { _, ok := r.Record.Values[q]; return ok })
	})
}

// kindsReport lists the kinds of pictures without a femur by name.
func (c *collection) kindsReport() []Kind {
	var out []Kind
	for _, k := range c.kinds {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b Kind) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// turnedReport returns the rotations that there are rows for.
func (c *collection) turnedReport() []TurnedClass {
	var out []TurnedClass
	for i, k := range turnedClasses {
		if c.turned[i].Flagged.Whole > 0 {
			out = append(out, TurnedClass{k.name, c.turned[i].Flagged})
		}
	}
	return out
}

// Count is how many rows have a word.
type Count struct {
	Word string `json:"word"`
	N    int    `json:"n"`
}

// counts lists a tally, the most frequent first.
func counts[T ~string](m map[T]int) []Count {
	var out []Count
	for w, n := range m {
		out = append(out, Count{string(w), n})
	}
	slices.SortFunc(out, func(a, b Count) int { return cmp.Or(b.N-a.N, strings.Compare(a.Word, b.Word)) })
	return out
}

// sayRefusals lists what should have been refused.
func (f *Film) sayRefusals(say func(bool, string, ...any)) {
	if f.Truth.Content != "" && len(f.Truth.Femurs) == 0 {
		for i := range f.Rows {
			say(numbers(&f.Rows[i]), "%s: row %d has numbers", f.Truth.Content, i+1)
		}
	}
	for i := range f.Truth.Femurs {
		if f.Truth.Femurs[i].Broken {
			say(!f.discontinuous(), "broken femur: not called discontinuous")
			say(f.bowGiven(), "broken femur: bow given")
		}
	}
}
