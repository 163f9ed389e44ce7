package study

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"shaftgauge/export"
	"shaftgauge/measure"
)

// Program is the reader that stands for the measured rows.
const Program = "shaftgauge"

// Findings that readers may grade: no, yes, or 0 to 9.
var findings = map[string]func(*measure.Record) (grade int, ok bool){
	"focal": func(r *measure.Record) (int, bool) {
		v, ok := r.Values[measure.FocalCount]
		return min(1, int(v.X)), ok
	},
	"lucent_line": func(r *measure.Record) (int, bool) {
		switch r.Texts["lucent_line"] {
		case "seen":
			return 1, true
		case "not_seen":
			return 0, true
		}
		return 0, false
	},
}

// Readings are what readers made of films: by quantity or finding, by film, by
// reader, every repeat.
type Readings struct {
	Readers    []string // as they come in the table
	Quantities []measure.Quantity
	Findings   []string
	Values     map[measure.Quantity]map[int]map[string][]float64 // film: index into the records
	Grades     map[string]map[int]map[string][]int
}

// Read reads a table of readings ([export.ReadSheet]) with a header: reader; source
// or instance_uid, and frame and side where these do not tell a femur; then columns
// named as those of measurements.csv, and focal and lucent_line. An empty cell
// was not read, and an empty row is none. Rows of one reader on one femur are
// repeats. Where commas do not separate, one in a number is its decimal mark.
//
// Errors name the line: an unknown column, a film that is not among the records
// or matches several, a cell that is not a number or a grade.
func Read(r io.Reader, records []measure.Record) (*Readings, error) {
	sheet, err := export.ReadSheet(r)
	if err != nil {
		return nil, fmt.Errorf("study: %w", err)
	}
	table := sheet.Rows
	if len(table) < 2 {
		return nil, errors.New("study: no readings")
	}
	out := &Readings{Values: map[measure.Quantity]map[int]map[string][]float64{}, Grades: map[string]map[int]map[string][]int{}}
	at := map[string]int{}
	for i, name := range table[0] {
		name = strings.TrimSpace(name)
		if _, twice := at[name]; twice {
			return nil, fmt.Errorf("study: column %q is there twice", name)
		}
		at[name] = i
		_, finding := findings[name]
		switch {
		case slices.Contains([]string{"reader", "source", "instance_uid", "frame", "side"}, name):
		case finding:
			out.Findings = append(out.Findings, name)
			out.Grades[name] = map[int]map[string][]int{}
		case measured(name):
			out.Quantities = append(out.Quantities, measure.Quantity(name))
			out.Values[measure.Quantity(name)] = map[int]map[string][]float64{}
		default:
			return nil, fmt.Errorf("study: unknown column %q", name)
		}
	}
	_, bySource := at["source"]
	_, byUID := at["instance_uid"]
	if _, ok := at["reader"]; !ok || !bySource && !byUID {
		return nil, errors.New("study: the table needs the columns reader and source or instance_uid")
	}
	for n, row := range table[1:] {
		cell := func(name string) string {
			i, ok := at[name]
			if !ok {
				return ""
			}
			text := strings.TrimSpace(row[i])
			if sheet.Separator != ',' && measured(name) {
				text = strings.Replace(text, ",", ".", 1)
			}
			return text
		}
		if !slices.ContainsFunc(row, func(s string) bool { return strings.TrimSpace(s) != "" }) {
			continue
		}
		if err := out.add(cell, records); err != nil {
			return nil, fmt.Errorf("study: line %d: %w", n+2, err)
		}
	}
	return out, nil
}

func measured(name string) bool { return measure.ColumnOf(measure.Quantity(name)).Uncertain }

func (r *Readings) add(cell func(string) string, records []measure.Record) error {
	reader := cell("reader")
	switch {
	case reader == "":
		return errors.New("no reader")
	case reader == Program:
		return fmt.Errorf("the name %q is the program's", Program)
	case !slices.Contains(r.Readers, reader):
		r.Readers = append(r.Readers, reader)
	}
	film, err := find(cell, records)
	if err != nil {
		return err
	}
	for _, q := range r.Quantities {
		text := cell(string(q))
		if text == "" {
			continue
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("%s is %q, not a number", q, text)
		}
		enter(r.Values[q], film, reader, x)
	}
	for _, f := range r.Findings {
		text := strings.ToLower(cell(f))
		grade, err := strconv.Atoi(text)
		switch {
		case text == "":
			continue
		case text == "no":
			grade = 0
		case text == "yes":
			grade = 1
		case err != nil || grade < 0 || grade > 9:
			return fmt.Errorf("%s is %q: give no, yes or 0 to 9", f, text)
		}
		enter(r.Grades[f], film, reader, grade)
	}
	return nil
}

func enter[T any](m map[int]map[string][]T, film int, reader string, x T) {
	if m[film] == nil {
		m[film] = map[string][]T{}
	}
	m[film][reader] = append(m[film][reader], x)
}

// find returns the index of the record that a row means.
func find(cell func(string) string, records []measure.Record) (int, error) {
	found := -1
	for i := range records {
		r := &records[i]
		if s := cell("source"); s != "" && s != r.Source && s != export.SafeText(r.Source) {
			continue
		}
		if u := cell("instance_uid"); u != "" && u != r.InstanceUID {
			continue
		}
		if f := cell("frame"); f != "" && f != strconv.Itoa(r.Frame) {
			continue
		}
		if s := cell("side"); s != "" && s != string(r.Side) {
			continue
		}
		if found >= 0 {
			return 0, errors.New("several measured rows fit: give frame or side")
		}
		found = i
	}
	if cell("source") == "" && cell("instance_uid") == "" {
		return 0, errors.New("no film named")
	}
	if found < 0 {
		return 0, errors.New("no measured row fits")
	}
	return found, nil
}
