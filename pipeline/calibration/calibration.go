// Package calibration corrects the expanded uncertainties of a row. They are
// propagated from the edges' and landmarks' own sigmas; what that leaves out is
// a factor for each column, fitted on one half of simulated films of known truth
// and proven on the other (package accuracy). The factors are kept in
// factors.csv, which shaftgauge verify --calibrate writes.
package calibration

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"sync"

	"shaftgauge/measure"
)

// Table holds the factor of each column that has one.
type Table map[measure.Quantity]float64

//go:embed factors.csv
var kept []byte

// Kept returns the factors of this version. It must not be changed.
var Kept = sync.OnceValue(func() Table {
	t, err := Read(bytes.NewReader(kept))
	if err != nil {
		panic(err) // embedded: a test reads it
	}
	return t
})

// tied is the column whose factor another takes: a radius is nothing but the
// curvature's inverse.
var tied = map[measure.Quantity]measure.Quantity{measure.BowRadius: measure.BowCurvature}

// Factor returns the factor of a column, 1 where the table has none.
func (t Table) Factor(q measure.Quantity) float64 {
	if of, ok := tied[q]; ok {
		q = of
	}
	if f, ok := t[q]; ok {
		return f
	}
	return 1
}

// Tied says whether a column takes another's factor.
func Tied(q measure.Quantity) bool { return tied[q] != "" }

// Apply corrects the uncertainties of r. A bow that its corrected uncertainty
// no longer resolves loses its radius.
func (t Table) Apply(r *measure.Record) {
	for q, v := range r.Values {
		v.U95 *= t.Factor(q)
		r.Values[q] = v
	}
	k, ok := r.Values[measure.BowCurvature]
	if _, round := r.Values[measure.BowRadius]; ok && round && math.Abs(k.X) <= k.U95 {
		delete(r.Values, measure.BowRadius)
		r.AddReason(measure.BowNotResolved)
	}
}

// ApplyFocal corrects the uncertainties of focal thickenings like those of a row: the
// row shows one of them.
func (t Table) ApplyFocal(found []measure.Focal) {
	for i := range found {
		f := &found[i]
		for q, v := range map[measure.Quantity]*measure.Value{
			measure.FocalLevel: &f.Level, measure.FocalHeight: &f.Height, measure.FocalLength: &f.Length,
			measure.LucentLineDepthFraction: &f.Line.Depth, measure.LucentLineAngle: &f.Line.Angle,
		} {
			v.U95 *= t.Factor(q)
		}
	}
}

var header = []string{"column", "factor"}

// Read reads a table as Write writes it.
func Read(r io.Reader) (Table, error) {
	c := csv.NewReader(r)
	c.FieldsPerRecord = len(header)
	rows, err := c.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("calibration: %w", err)
	}
	if len(rows) == 0 || rows[0][0] != header[0] || rows[0][1] != header[1] {
		return nil, errors.New("calibration: not a table of factors")
	}
	t := make(Table)
	for _, row := range rows[1:] {
		f, err := strconv.ParseFloat(row[1], 64)
		if err != nil || !(f > 0) || math.IsInf(f, 0) {
			return nil, fmt.Errorf("calibration: factor %q of %s", row[1], row[0])
		}
		t[measure.Quantity(row[0])] = f
	}
	return t, nil
}

// Write writes the table as CSV, in the order of the columns of measurements.csv.
func (t Table) Write(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{header}
	for _, col := range measure.Columns {
		if f, ok := t[measure.Quantity(col.Name)]; ok {
			rows = append(rows, []string{col.Name, strconv.FormatFloat(f, 'g', 3, 64)})
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("calibration: %w", err)
	}
	return nil
}
