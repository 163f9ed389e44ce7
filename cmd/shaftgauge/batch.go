package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"shaftgauge/pipeline"
	"shaftgauge/pipeline/source"
)

// batch is one run from sources to an output folder.
type batch struct {
	settings
	sources []string
	out     string
	quiet   bool
	retry   bool

	stop   <-chan struct{} // closed to end after the films in flight; may be nil
	stderr io.Writer
}

// run measures the films and writes the tables, geometry and overlays. wrap
// gives the sink in front of the output, which must hand everything on.
func (b batch) run(ctx context.Context, wrap func(*output) pipeline.Sink) (source.Listing, pipeline.Summary, error) {
	fail := func(err error) (source.Listing, pipeline.Summary, error) {
		return source.Listing{}, pipeline.Summary{}, err
	}
	config, err := b.settings.config()
	if err != nil {
		return fail(err)
	}
	if config.Worker, err = pipeline.FilmWorker(); err != nil {
		return fail(err)
	}
	if err := os.MkdirAll(b.out, 0o755); err != nil {
		return fail(err)
	}
	config.Ledger = filepath.Join(b.out, ledgerName)
	config.Retry, config.Stop = b.retry, b.stop

	list, err := source.List(ctx, b.sources, source.Options{
		Exclude: b.out, LedgerNamed: ledgerName, MaxBytes: config.MaxBytes, MaxMembers: b.MaxMembers})
	if err != nil {
		return fail(err)
	}
	if len(list.Files) == 0 {
		return fail(fmt.Errorf("no films found; %d other files skipped", len(list.Skipped)))
	}
	for _, p := range list.Problems {
		fmt.Fprintln(b.stderr, "shaftgauge: "+p)
	}
	out := &output{dir: b.out, overlays: b.Overlays, profileKind: b.Profiles, nails: b.NailsFile != ""}
	defer out.abort()
	if !b.quiet {
		m := newMeter(b.stderr, len(list.Files))
		defer m.close()
		config.Progress = m.update
	}
	summary, err := pipeline.Run(ctx, config, list.Files, wrap(out))
	if err != nil {
		return fail(err)
	}
	if err := out.commit(); err != nil {
		return fail(err)
	}
	return list, summary, nil
}
