package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/job"
)

// parseMeasure reads the command line of measure: defaults, then the settings
// file, then flags.
func parseMeasure(c command) (batch, error) {
	b := batch{stop: c.stop, stderr: c.stderr}
	var file string
	read := func() (err error) {
		fs := newFlags("shaftgauge measure SRC... -o OUT [flags]", c.stdout)
		fs.StringVar(&b.out, "o", "", "output `folder`; a run there goes on where it stopped")
		fs.StringVar(&file, "settings", "", "settings `file` (see shaftgauge settings)")
		fs.BoolVar(&b.quiet, "quiet", false, "show no progress")
		fs.BoolVar(&b.retry, "retry", false, "measure films again that crashed, or passed the time or memory limit")
		b.settings.bind(fs)
		b.sources, err = parse(fs, c.args)
		return err
	}
	b.settings = defaultSettings()
	if err := read(); err != nil {
		return b, err
	}
	if file != "" { // lay the file over the defaults, then the flags over both
		b.settings = defaultSettings()
		if err := b.settings.load(file); err != nil {
			return b, err
		}
		if err := read(); err != nil {
			return b, err
		}
	}
	switch {
	case len(b.sources) == 0:
		return b, usageError{"measure: no films named"}
	case b.out == "":
		return b, usageError{"measure: no output folder (-o OUT)"}
	}
	out, _ := os.Stat(b.out) // nil: it is not there yet
	for _, s := range b.sources {
		info, err := os.Stat(s)
		if errors.Is(err, fs.ErrNotExist) {
			return b, usageError{fmt.Sprintf("measure: %v", err)}
		}
		if out != nil && err == nil && os.SameFile(info, out) {
			return b, usageError{fmt.Sprintf("measure: %s is both films and output", s)}
		}
	}
	return b, b.settings.validate()
}

// report is run.json. Times stand here and nowhere else in the output.
type report struct {
	Program   string    `json:"program"`
	Version   string    `json:"version"`
	Algorithm string    `json:"algorithm"`
	Started   time.Time `json:"started"`
	Finished  time.Time `json:"finished"`
	Sources   []string  `json:"sources"`
	Settings  settings  `json:"settings"`

	Nails []measure.Nail `json:"nails,omitempty"` // the list of settings.nails_file

	Films    int            `json:"films"`
	Rows     int            `json:"rows"`
	Measured int            `json:"films_measured_now"`
	Reused   int            `json:"films_from_ledger"`
	ByStatus map[string]int `json:"rows_by_status"`
	ByReason map[string]int `json:"rows_by_reason"`

	Skipped  map[string]int         `json:"files_skipped"` // by why
	Problems []string               `json:"problems,omitempty"`
	Inputs   []pipeline.FilmSummary `json:"inputs"`
}

// way names what the numbers of a run hang on beside its films.
func (r *report) way() string {
	s := r.Settings
	return fmt.Sprintf("%s %v %d %d %v %q %v", r.Algorithm, s.MarkerDiameterMM, s.MaxPixels, s.MaxFrames, s.Pseudonymise, s.KeyFile, r.Nails)
}

func measureCommand(ctx context.Context, c command) error {
	b, err := parseMeasure(c)
	if err != nil {
		return err
	}
	r := report{Program: "shaftgauge", Version: version(), Algorithm: job.Algorithm,
		Started: time.Now().UTC(), Sources: b.sources, Settings: b.settings, Skipped: make(map[string]int)}
	var out *output
	if b.NailsFile != "" {
		if r.Nails, err = readNails(b.NailsFile); err != nil {
			return err
		}
	}
	list, summary, err := b.run(ctx, func(o *output) pipeline.Sink { out, o.run = o, r; return o })
	if err != nil {
		return err
	}
	r.Films, r.Measured, r.Reused = len(list.Files), summary.Measured, summary.Reused
	r.ByStatus, r.ByReason, r.Inputs, r.Problems = summary.ByStatus, out.byReason(), summary.Films, list.Problems
	for _, s := range list.Skipped {
		r.Skipped[s.Why]++
	}
	for _, n := range r.ByStatus {
		r.Rows += n
	}
	r.Finished = time.Now().UTC()
	err = export.WriteFileAtomic(filepath.Join(b.out, runName), func(w io.Writer) error { return export.WriteJSON(w, r) })
	if err != nil {
		return err
	}
	if !b.quiet {
		r.say(c.stderr, b, out.first(5))
	}
	if r.ByStatus[string(measure.StatusNotMeasured)] > 0 || len(r.Problems) > 0 {
		return errNotMeasured
	}
	return nil
}

// say tells what came out, where it lies, and which rows to look at first.
func (r report) say(w io.Writer, b batch, first []measure.Record) {
	fmt.Fprintf(w, "%d films, %d rows: %s\n", r.Films, r.Rows, counts(pipeline.Progress{ByStatus: r.ByStatus}))
	fmt.Fprintf(w, "rows: %s\n", filepath.Join(b.out, tableName))
	fmt.Fprintf(w, "report: %s\n", filepath.Join(b.out, pageName))
	if b.Overlays {
		fmt.Fprintf(w, "pictures to review: %s\n", filepath.Join(b.out, overlayDir))
	}
	if len(first) > 0 {
		fmt.Fprintln(w, "first in the order of review:")
	}
	for _, row := range first {
		fmt.Fprintf(w, "%.0f  %s, frame %d: %s\n", row.Values[measure.ReviewRank].X, export.SafeText(row.Source), row.Frame, row.Texts[measure.ReviewReasons])
	}
}
