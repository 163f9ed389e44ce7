package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"shaftgauge/export"
	"shaftgauge/export/registry"
	"shaftgauge/pipeline/patient"
)

// fillCommand fills the empty cells of a registry's table.
func fillCommand(ctx context.Context, c command) error {
	var from, mapFile, out, keyFile string
	var write bool
	fs := newFlags("shaftgauge fill REGISTRY.csv --from OUT --map map.yaml -o FILLED.csv [--key-file FILE] [--write]", c.stdout)
	fs.StringVar(&from, "from", "", "output `folder` of the run that measured the films")
	fs.StringVar(&mapFile, "map", "", "YAML `file` that says which columns identify a film and which are filled")
	fs.StringVar(&out, "o", "", "`file` for the filled table; its audit goes beside it")
	fs.StringVar(&keyFile, "key-file", "", "key `file` of that run; default: the one it was run with")
	fs.BoolVar(&write, "write", false, "write the files; without it only the counts are shown")
	operands, err := parse(fs, c.args)
	switch {
	case err != nil:
		return err
	case len(operands) != 1:
		return usageError{"fill: name one registry table"}
	case from == "" || mapFile == "" || out == "":
		return usageError{"fill: --from OUT, --map map.yaml and -o FILLED.csv are needed"}
	}
	audit := strings.TrimSuffix(out, filepath.Ext(out)) + ".audit.csv"
	for _, path := range []string{out, audit} {
		if err := mayWrite(path, operands[0], mapFile); err != nil {
			return err
		}
	}
	run, err := openFinished(from)
	if err != nil {
		return err
	}
	m, err := readMap(mapFile)
	if err != nil {
		return err
	}
	if m.Match.Date != nil && run.report.Settings.Pseudonymise {
		return usageError{"fill: that run was pseudonymised, its rows have no dates to match"}
	}
	if keyFile == "" {
		keyFile = run.report.Settings.KeyFile
	}
	for _, path := range []string{out, audit} { // a key that is written over is lost
		if err := mayWrite(path, keyFile); err != nil {
			return err
		}
	}
	keys, err := readKeys(keyFile)
	if err != nil {
		return err
	}
	sheet, err := readSheet(operands[0])
	if err != nil {
		return err
	}
	films, err := run.films(ctx)
	if err != nil {
		return err
	}
	r, err := registry.Fill(sheet.Rows, m, films, keys, run.report.Version)
	if err != nil {
		return usageError{err.Error()}
	}
	fmt.Fprintf(c.stdout, "%d rows, %d cells: %d filled, %d refused, %d kept, %d disagree with the films and are kept\n", len(sheet.Rows)-1, len(r.Audit),
		r.Count[registry.Filled], r.Count[registry.Refused], r.Count[registry.Kept]+r.Count[registry.Disagrees], r.Count[registry.Disagrees])
	if !write {
		fmt.Fprintln(c.stdout, "nothing was written; with --write it is")
		return nil
	}
	// Both are written as the registry's table is.
	sheet.Rows = auditTable(r, run.report.Version, m.Decimal)
	if err := export.WriteFileAtomic(audit, sheet.Write); err != nil {
		return err
	}
	sheet.Rows = r.Table
	if err := export.WriteFileAtomic(out, sheet.Write); err != nil {
		return err
	}
	fmt.Fprintf(c.stdout, "filled table: %s\nevery fill and refusal: %s\n", out, audit)
	return nil
}

func readMap(path string) (registry.Map, error) {
	f, err := os.Open(path)
	if err != nil {
		return registry.Map{}, usageError{err.Error()}
	}
	defer f.Close()
	m, err := registry.ReadMap(f)
	if err != nil {
		return m, usageError{err.Error()}
	}
	return m, nil
}

// keyring hashes numbers under the user's key.
type keyring []byte

func (k keyring) Patient(issuer, number string) string { return patient.Key(k, issuer, number) }
func (k keyring) Accession(number string) string       { return patient.AccessionKey(k, number) }

func readKeys(path string) (keyring, error) {
	if path == "" {
		return nil, usageError{"fill: that run had no key file, so its rows carry no patient to match"}
	}
	key, err := os.ReadFile(path)
	if err != nil {
		return nil, usageError{fmt.Sprintf("key file: %v", err)}
	}
	return key, nil
}

// readSheet reads a table as a spreadsheet saves it.
func readSheet(path string) (export.Sheet, error) {
	f, err := os.Open(path)
	if err != nil {
		return export.Sheet{}, usageError{err.Error()}
	}
	defer f.Close()
	s, err := export.ReadSheet(f)
	if err != nil {
		return s, usageError{fmt.Sprintf("%s: %v", path, err)}
	}
	return s, nil
}

// films are the rows as the registry takes them: as reviewed, where they were.
func (f finished) films(ctx context.Context) ([]registry.Film, error) {
	reviewed, err := f.reviews(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]registry.Film, 0, len(f.femurs))
	for i, r := range f.records() {
		film := registry.Film{Record: r}
		if o, ok := reviewed[i]; ok {
			held := o.Record(&film.Record)
			film.Reviewed, film.Rejected = true, held == nil
			if held != nil {
				film.Record = *held
			}
		}
		out = append(out, film)
	}
	return out, nil
}

func auditTable(r registry.Result, version, decimal string) [][]string {
	out := [][]string{registry.AuditHeader}
	for _, l := range r.Audit {
		cells := l.Cells(version, decimal)
		for i := range cells {
			cells[i] = export.SafeText(cells[i])
		}
		out = append(out, cells)
	}
	return out
}
