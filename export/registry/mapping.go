package registry

import (
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/goccy/go-yaml"

	"shaftgauge/measure"
)

// Map says how a registry's table is matched and filled. It is read from YAML.
type Map struct {
	Match   Match   `yaml:"match"`
	Fill    []Cell  `yaml:"fill"`
	Prefer  []Order `yaml:"prefer"`  // among many films for one cell; default [DefaultPrefer]
	Decimal string  `yaml:"decimal"` // mark in the table's numbers: a point, the default, or a comma
}

// Match names the columns that identify a film. A film matches a row when every
// part that is named agrees. At least the patient or the accession number is
// needed.
type Match struct {
	Patient   *PatientColumn   `yaml:"patient"`
	Accession *AccessionColumn `yaml:"accession"`
	Date      *DateColumn      `yaml:"date"`
	Side      *SideColumn      `yaml:"side"`
}

// PatientColumn holds the registry's patient number, hashed with the same key
// file and the issuer named here before it is compared.
type PatientColumn struct {
	Column string `yaml:"column"`
	Issuer string `yaml:"issuer"`
}

// AccessionColumn holds the accession number, hashed likewise.
type AccessionColumn struct {
	Column string `yaml:"column"`
}

// DateColumn holds a date and says how many days from it a film may be.
type DateColumn struct {
	Column string `yaml:"column"`
	Layout string `yaml:"layout"` // as YYYY-MM-DD; letters Y, M, D stand for digits
	Before int    `yaml:"days_before"`
	After  int    `yaml:"days_after"`
}

// SideColumn holds the side and names the words that stand for each.
type SideColumn struct {
	Column string   `yaml:"column"`
	Right  []string `yaml:"right"`
	Left   []string `yaml:"left"`
}

// Cell is a column that takes a measurement.
type Cell struct {
	Column   string           `yaml:"column"`
	Quantity measure.Quantity `yaml:"quantity"`
	View     measure.View     `yaml:"view"`   // empty: that of the films, if it is one
	Digits   *int             `yaml:"digits"` // after the decimal point; default that of the quantity's own column
}

// Order is a rule that puts one film before another.
type Order string

// The rules.
const (
	NearestDate   Order = "nearest_date"
	Reviewed      Order = "reviewed"
	SmallestU95   Order = "smallest_u95"
	mostDigits          = 6
	defaultLayout       = "YYYY-MM-DD"
)

// DefaultPrefer is the order in which the rules count.
var DefaultPrefer = []Order{NearestDate, Reviewed, SmallestU95}

// ReadMap reads a map and checks it: an unknown key, a missing column name or an
// unknown quantity is an error.
func ReadMap(r io.Reader) (Map, error) {
	var m Map
	if err := yaml.NewDecoder(r, yaml.Strict()).Decode(&m); err != nil {
		return m, fmt.Errorf("registry: map: %w", err)
	}
	if err := m.check(); err != nil {
		return m, fmt.Errorf("registry: map: %w", err)
	}
	return m, nil
}

func (m *Map) check() error {
	if m.Match.Patient == nil && m.Match.Accession == nil {
		return errors.New("match: name the patient or the accession column")
	}
	if len(m.Fill) == 0 {
		return errors.New("fill: no column named")
	}
	if m.Prefer == nil {
		m.Prefer = DefaultPrefer
	}
	switch m.Decimal {
	case "":
		m.Decimal = "."
	case ".", ",":
	default:
		return fmt.Errorf("decimal: %q is no point and no comma", m.Decimal)
	}
	for _, o := range m.Prefer {
		switch o {
		case NearestDate, Reviewed, SmallestU95:
		default:
			return fmt.Errorf("prefer: unknown rule %q", o)
		}
	}
	if d := m.Match.Date; d != nil {
		if d.Layout == "" {
			d.Layout = defaultLayout
		}
		if _, err := layout(d.Layout); err != nil {
			return err
		}
		if d.Before < 0 || d.After < 0 {
			return errors.New("match: date: days are counted from 0")
		}
	}
	if s := m.Match.Side; s != nil && (len(s.Right) == 0 || len(s.Left) == 0) {
		return errors.New("match: side: name the words for right and left")
	}
	columns := map[string]bool{}
	for _, name := range m.columns() {
		if name == "" {
			return errors.New("match: a column without a name")
		}
		columns[name] = true
	}
	for i := range m.Fill {
		c := &m.Fill[i]
		col := measure.ColumnOf(c.Quantity)
		switch {
		case c.Column == "" || columns[c.Column]:
			return fmt.Errorf("fill: column %q is nameless, named twice or one that identifies", c.Column)
		case !col.Uncertain:
			return fmt.Errorf("fill: %s: unknown quantity %q", c.Column, c.Quantity)
		case c.View != "" && c.View != measure.AP && c.View != measure.Lateral:
			return fmt.Errorf("fill: %s: view is %q, not AP or LAT", c.Column, c.View)
		}
		columns[c.Column] = true
		if c.Digits == nil {
			c.Digits = &col.Digits
		}
		if *c.Digits < 0 || *c.Digits > mostDigits {
			return fmt.Errorf("fill: %s: %d digits", c.Column, *c.Digits)
		}
	}
	return nil
}

// columns lists the registry's columns that the match needs.
func (m *Map) columns() (names []string) {
	if p := m.Match.Patient; p != nil {
		names = append(names, p.Column)
	}
	if a := m.Match.Accession; a != nil {
		names = append(names, a.Column)
	}
	if d := m.Match.Date; d != nil {
		names = append(names, d.Column)
	}
	if s := m.Match.Side; s != nil {
		names = append(names, s.Column)
	}
	return names
}

// layout turns YYYY-MM-DD and the like into the layout of package time.
func layout(s string) (string, error) {
	out := ""
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		part, ok := map[string]string{"YYYY": "2006", "MM": "01", "M": "1", "DD": "02", "D": "2"}[s[i:j]]
		letter := s[i] >= 'A' && s[i] <= 'Z' || s[i] >= 'a' && s[i] <= 'z' || s[i] >= '0' && s[i] <= '9'
		if !ok && letter {
			return "", fmt.Errorf("match: date: layout %q: use YYYY, MM or M, DD or D", s)
		}
		if !ok {
			part = s[i:j]
		}
		out += part
		i = j
	}
	if _, err := time.Parse(out, time.Date(2024, 11, 25, 0, 0, 0, 0, time.UTC).Format(out)); err != nil {
		return "", fmt.Errorf("match: date: layout %q: %w", s, err)
	}
	return out, nil
}
