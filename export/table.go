package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"

	"shaftgauge/measure"
)

// u95Suffix names the companion column of a measured column.
const u95Suffix = "_u95"

// Table is one CSV file of the output: its name, what it says of itself, its
// columns and how a row of type T fills them.
type Table[T any] struct {
	Name string // of the file; its description is Name with MetadataSuffix
	// Title and About are the words of its CSV on the Web description, Notes the
	// codes in it with their sentences.
	Title, About string
	Notes        []measure.ReasonText
	columns      []column[T]
}

// column is a column and the cell that a row has in it: a string, an int, a
// float64, a measure.Value or a *measure.Value. A number that is not finite and
// a nil pointer leave the cell empty.
type column[T any] struct {
	measure.Column
	required  bool   // never empty
	separator string // between the items of a list
	cell      func(*T) any
}

// Writer writes a table row by row: RFC 4180, UTF-8 without a byte order mark,
// lines ended by CR LF, the columns in their order, each measured one followed
// by its expanded uncertainty.
type Writer[T any] struct {
	table *Table[T]
	w     *csv.Writer
	row   []string
}

// NewWriter returns a writer of the table to w, its header line first.
func (t *Table[T]) NewWriter(w io.Writer) (*Writer[T], error) {
	out := &Writer[T]{table: t, w: csv.NewWriter(w)}
	out.w.UseCRLF = true
	if err := out.w.Write(t.header()); err != nil {
		return nil, fmt.Errorf("export: %s: %w", t.Name, err)
	}
	return out, nil
}

// header returns the column names in the file.
func (t *Table[T]) header() []string {
	var names []string
	for _, col := range t.columns {
		names = append(names, col.Name)
		if col.Uncertain {
			names = append(names, col.Name+u95Suffix)
		}
	}
	return names
}

// Write appends a row.
func (w *Writer[T]) Write(row *T) error {
	w.row = w.row[:0]
	for i := range w.table.columns {
		col := &w.table.columns[i]
		x, u95 := cells(col.cell(row), col.Digits)
		w.row = append(w.row, x)
		if col.Uncertain {
			w.row = append(w.row, u95)
		}
	}
	if err := w.w.Write(w.row); err != nil {
		return fmt.Errorf("export: %s: %w", w.table.Name, err)
	}
	return nil
}

// Flush writes what is buffered and returns the first error met.
func (w *Writer[T]) Flush() error {
	w.w.Flush()
	if err := w.w.Error(); err != nil {
		return fmt.Errorf("export: %s: %w", w.table.Name, err)
	}
	return nil
}

// WriteRows writes the header and all rows to w.
func (t *Table[T]) WriteRows(w io.Writer, rows iter.Seq[T]) error {
	out, err := t.NewWriter(w)
	if err != nil {
		return err
	}
	for row := range rows {
		if err := out.Write(&row); err != nil {
			return err
		}
	}
	return out.Flush()
}

// cells writes what a column holds, and its uncertainty where it has one.
func cells(v any, digits int) (x, u95 string) {
	switch v := v.(type) {
	case string:
		return SafeText(v), ""
	case int:
		return strconv.Itoa(v), ""
	case float64:
		return decimal(v, digits), ""
	case measure.Value:
		if finite(v.X) {
			return decimal(v.X, digits), decimalUp(v.U95, digits)
		}
	case *measure.Value:
		if v != nil {
			return cells(*v, digits)
		}
	}
	return "", ""
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// decimal writes x with a fixed number of decimals, never as -0; text is empty
// where x is no finite number.
func decimal(x float64, digits int) string {
	if !finite(x) {
		return ""
	}
	s := strconv.FormatFloat(x, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// decimalUp writes an uncertainty with a fixed number of decimals, rounded up,
// so that the printed interval is no narrower than the computed one.
//
// Source: JCGM 100:2008, 7.2.6: it may be appropriate to round uncertainties
// up rather than to the nearest digit.
func decimalUp(u float64, digits int) string {
	if !finite(u) || u < 0 {
		return ""
	}
	scale := math.Pow10(digits)
	return decimal(math.Ceil(u*scale*(1-1e-12))/scale, digits)
}
