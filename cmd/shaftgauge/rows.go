package main

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/pipeline/source"
)

// rowsName is the file of all rows of a run in full precision, for the commands
// that go on from an output: one measure.Femur a line, JSON, without geometry
// and profile.
const rowsName = "rows.jsonl.gz"

func writeRows(dir string, femurs []measure.Femur) error {
	return export.WriteFileAtomic(filepath.Join(dir, rowsName), func(w io.Writer) error {
		z := gzip.NewWriter(w)
		e := json.NewEncoder(z)
		for i := range femurs {
			if err := e.Encode(&femurs[i]); err != nil {
				return err
			}
		}
		return z.Close()
	})
}

// finished is a run's output as a later command finds it.
type finished struct {
	dir    string
	report report
	femurs []measure.Femur
}

// mayWrite refuses to write a file over one that the command line gives to be read.
func mayWrite(path string, given ...string) error {
	there, err := os.Stat(path)
	for _, name := range given {
		if info, e := os.Stat(name); err == nil && e == nil && os.SameFile(there, info) {
			return usageError{fmt.Sprintf("%s is read from: name another file to write (-o)", path)}
		}
	}
	return nil
}

// openFinished reads run.json and the rows of an output folder.
func openFinished(dir string) (finished, error) {
	f := finished{dir: dir}
	b, err := os.ReadFile(filepath.Join(dir, runName))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return f, usageError{fmt.Sprintf("%s is not the output of a finished run: it has no %s", dir, runName)}
	case err != nil:
		return f, err
	}
	if err := json.Unmarshal(b, &f.report); err != nil {
		return f, fmt.Errorf("%s: %w", runName, err)
	}
	f.femurs, err = readRows(filepath.Join(dir, rowsName))
	return f, err
}

func readRows(path string) ([]measure.Femur, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	z, err := gzip.NewReader(bufio.NewReader(file))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	var out []measure.Femur
	for d := json.NewDecoder(z); ; {
		var f measure.Femur
		switch err := d.Decode(&f); {
		case errors.Is(err, io.EOF):
			return out, nil
		case err != nil:
			return nil, fmt.Errorf("%s: row %d: %w", path, len(out)+1, err)
		}
		out = append(out, f)
	}
}

// listing finds the films of the run again, as it found them.
func (f finished) listing(ctx context.Context, maxBytes int64) (source.Listing, error) {
	return source.List(ctx, f.report.Sources, source.Options{
		Exclude: f.dir, LedgerNamed: ledgerName, MaxBytes: maxBytes, MaxMembers: f.report.Settings.MaxMembers})
}

// records are the rows of the run without what lies beside them.
func (f finished) records() []measure.Record {
	out := make([]measure.Record, len(f.femurs))
	for i := range f.femurs {
		out[i] = f.femurs[i].Record
	}
	return out
}
