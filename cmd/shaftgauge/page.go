package main

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"shaftgauge/export"
	"shaftgauge/export/summary"
	"shaftgauge/measure"
)

// pageName is the page of the whole run.
const pageName = "report.html"

// writePage writes report.html into the output.
func (o *output) writePage(pairs []measure.Pair) error {
	run := summary.Run{Version: version(), Films: o.films, Femurs: o.femurs, Pairs: pairs}
	if o.overlays {
		run.Picture = func(r *measure.Record) (io.ReadCloser, error) {
			f, err := os.Open(o.overlay(r.Source, r.Frame))
			if errors.Is(err, fs.ErrNotExist) { // no picture of a film that could not be read
				return nil, nil
			}
			return f, err
		}
	}
	return export.WriteFileAtomic(filepath.Join(o.dir, pageName), func(w io.Writer) error { return summary.WriteHTML(w, run) })
}
