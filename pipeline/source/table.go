package source

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"shaftgauge/pipeline/job"
)

// tableName is the file that says of pictures what a DICOM header would.
const tableName = "films.csv"

// maxTableBytes bounds a films.csv.
const maxTableBytes = 64 << 20

// table is a films.csv: columns path, patient, date, side, view,
// pixel_spacing, of which only path must be there. Paths are relative to its
// folder. Dates are YYYYMMDD or YYYY-MM-DD; pixel_spacing is one number in mm
// or row\column as DICOM writes it.
type table struct {
	folder string // relative to the walk's root
	rows   map[string]job.Beside
	taken  map[string]bool
}

// tableIn reads the films.csv of dir, nil where there is none.
func tableIn(dir, rel string) (*table, error) {
	file := filepath.Join(dir, tableName)
	info, err := os.Lstat(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("source: %s: not a regular file", file)
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("source: %w", err)
	}
	defer f.Close()
	t, err := readTable(f, filepath.ToSlash(file))
	if err != nil {
		return nil, err
	}
	t.folder = rel
	return t, nil
}

// tableBeside reads the films.csv in the folder of a film given by itself.
func tableBeside(film string) (*table, error) { return tableIn(filepath.Dir(film), "") }

// closedTable is a films.csv of an archive that cannot be read at all: encrypted or
// damaged. That is the archive's fault, where one that cannot be understood is its
// author's.
type closedTable struct{ name, why string }

func (e *closedTable) Error() string { return e.name + ": " + e.why }

// tablesIn reads every films.csv of an archive, by folder.
func (l *lister) tablesIn(files []*zip.File) (map[string]*table, error) {
	tables := make(map[string]*table)
	for _, m := range files {
		name := SafeName(m.Name)
		if path.Base(name) != tableName || m.FileInfo().IsDir() {
			continue
		}
		if why := l.badMember(m); why != "" {
			return nil, &closedTable{name, why}
		}
		r, err := m.Open()
		if err != nil {
			return nil, &closedTable{name, err.Error()}
		}
		b, err := io.ReadAll(io.LimitReader(r, maxTableBytes))
		r.Close()
		if err != nil {
			return nil, &closedTable{name, err.Error()}
		}
		t, err := readTable(bytes.NewReader(b), name)
		if err != nil {
			return nil, err
		}
		tables[path.Dir(name)] = t
	}
	return tables, nil
}

// readTable reads a films.csv; name is for messages.
func readTable(r io.Reader, name string) (*table, error) {
	fail := func(line int, format string, args ...any) (*table, error) {
		return nil, fmt.Errorf("source: %s: line %d: %s", name, line, fmt.Sprintf(format, args...))
	}
	c := csv.NewReader(io.LimitReader(r, maxTableBytes))
	head, err := c.Read()
	if err != nil {
		return fail(1, "%v", err)
	}
	column := make(map[string]int)
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
		if !slices.Contains([]string{"path", "patient", "date", "side", "view", "pixel_spacing"}, h) {
			return fail(1, "unknown column %q", h)
		}
		if _, twice := column[h]; twice {
			return fail(1, "column %q twice", h)
		}
		column[h] = i
	}
	if _, ok := column["path"]; !ok {
		return fail(1, "no column \"path\"")
	}
	t := &table{rows: make(map[string]job.Beside), taken: make(map[string]bool)}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			return t, nil
		}
		if err != nil {
			return nil, fmt.Errorf("source: %s: %w", name, err)
		}
		line, _ := c.FieldPos(0)
		get := func(col string) string {
			if i, ok := column[col]; ok {
				return strings.TrimSpace(row[i])
			}
			return ""
		}
		film := path.Clean(strings.ReplaceAll(get("path"), `\`, "/"))
		if !filepath.IsLocal(film) || film == "." {
			return fail(line, "path %q leads out of the folder", get("path"))
		}
		if _, twice := t.rows[film]; twice {
			return fail(line, "path %q twice", film)
		}
		b := job.Beside{Patient: get("patient")}
		if b.Date, err = parseDate(get("date")); err != nil {
			return fail(line, "%v", err)
		}
		if b.Side, err = oneOf("side", get("side"), "L", "R", "B"); err != nil {
			return fail(line, "%v", err)
		}
		if b.View, err = oneOf("view", get("view"), "AP", "LAT"); err != nil {
			return fail(line, "%v", err)
		}
		if b.SpacingY, b.SpacingX, err = parseSpacing(get("pixel_spacing")); err != nil {
			return fail(line, "%v", err)
		}
		t.rows[film] = b
	}
}

func oneOf(column, s string, allowed ...string) (string, error) {
	s = strings.ToUpper(s)
	if s == "" || slices.Contains(allowed, s) {
		return s, nil
	}
	return "", fmt.Errorf("%s %q: want one of %s", column, s, strings.Join(allowed, ", "))
}

func parseDate(s string) (string, error) {
	if s == "" {
		return "", nil
	}
	for _, layout := range []string{"20060102", "2006-01-02"} {
		if d, err := time.Parse(layout, s); err == nil {
			return d.Format("20060102"), nil
		}
	}
	return "", fmt.Errorf("date %q: want YYYYMMDD or YYYY-MM-DD", s)
}

// parseSpacing returns the row and the column spacing in mm, zeros for none.
func parseSpacing(s string) (row, col float64, err error) {
	if s == "" {
		return 0, 0, nil
	}
	first, second, two := strings.Cut(s, `\`)
	if !two {
		second = first
	}
	for _, v := range []struct {
		text string
		to   *float64
	}{{first, &row}, {second, &col}} {
		x, err := strconv.ParseFloat(strings.TrimSpace(v.text), 64)
		if err != nil || !(x > 0.001 && x < 10) {
			return 0, 0, fmt.Errorf("pixel_spacing %q: want mm, one number or row\\column", s)
		}
		*v.to = x
	}
	return row, col, nil
}

// take returns what the table says of a film, and marks it as found.
func (t *table) take(film string) (job.Beside, bool) {
	if t == nil {
		return job.Beside{}, false
	}
	b, ok := t.rows[film]
	if ok {
		t.taken[film] = true
	}
	return b, ok
}

// left returns the films of the table that were not found, in byte order.
func (t *table) left() []string {
	var names []string
	for name := range t.rows {
		if !t.taken[name] {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
