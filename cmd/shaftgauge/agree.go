package main

import (
	"context"
	"fmt"
	"io"
	"os"

	"shaftgauge/export"
	"shaftgauge/export/study"
)

// agreeCommand compares readers' tables with a run's rows.
func agreeCommand(_ context.Context, c command) error {
	var from, out string
	fs := newFlags("shaftgauge agree READERS.csv --from OUT -o PAGE.html", c.stdout)
	fs.StringVar(&from, "from", "", "output `folder` of the run that measured the films")
	fs.StringVar(&out, "o", "", "`file` for the page")
	operands, err := parse(fs, c.args)
	switch {
	case err != nil:
		return err
	case len(operands) != 1:
		return usageError{"agree: name one table of readings"}
	case from == "" || out == "":
		return usageError{"agree: --from OUT and -o PAGE.html are needed"}
	}
	if err := mayWrite(out, operands[0]); err != nil {
		return err
	}
	run, err := openFinished(from)
	if err != nil {
		return err
	}
	table, err := os.Open(operands[0])
	if err != nil {
		return usageError{err.Error()}
	}
	defer table.Close()
	records := run.records()
	readings, err := study.Read(table, records)
	if err != nil {
		return usageError{err.Error()}
	}
	r := study.Analyse(readings, records)
	if err := r.Check(); err != nil {
		return err
	}
	if err := export.WriteFileAtomic(out, func(w io.Writer) error { return study.WriteHTML(w, r, run.report.Version) }); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.stdout, "%d femurs, %d readers: %s\n", r.Films, len(r.Readers), out)
	return err
}
