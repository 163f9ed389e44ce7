package main

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"fmt"
	"os"
	"os/user"
	"path/filepath"

	"shaftgauge/export"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/review"
	"shaftgauge/pipeline/source"
)

// reviewer is a review of a run's output.
type reviewer struct {
	run      finished
	results  *pipeline.Results
	listen   string
	cert     string
	key      string
	reading  review.Reading
	exportIt bool // write reviewed.csv and end
}

// reviewCommand serves the pages on which people review a run's rows.
func reviewCommand(ctx context.Context, c command) error {
	var r reviewer
	fs := newFlags("shaftgauge review OUT [flags]", c.stdout)
	fs.StringVar(&r.listen, "listen", "127.0.0.1:0", "`address` to serve at; one that other machines reach needs --tls-cert and --tls-key")
	fs.StringVar(&r.cert, "tls-cert", "", "certificate `file` (PEM)")
	fs.StringVar(&r.key, "tls-key", "", "the certificate's key `file` (PEM)")
	fs.StringVar(&r.reading.Reviewer, "reviewer", "", "`name` that decisions are kept under; default: the user's")
	fs.BoolVar(&r.reading.Second, "second-reader", false, "read independently: decisions of others are neither shown nor used, and these are not shown to them")
	fs.BoolVar(&r.exportIt, "export", false, "write reviewed.csv again and end")
	operands, err := parse(fs, c.args)
	switch {
	case err != nil:
		return err
	case len(operands) != 1:
		return usageError{"review: name one output folder"}
	case (r.cert == "") != (r.key == ""):
		return usageError{"review: --tls-cert and --tls-key go together"}
	case r.reading.Second && r.reading.Reviewer == "":
		return usageError{"review: --second-reader needs --reviewer NAME"}
	}
	if r.cert != "" {
		if _, err := tls.LoadX509KeyPair(r.cert, r.key); err != nil {
			return usageError{fmt.Sprintf("review: %v", err)}
		}
	}
	if r.reading.Reviewer == "" {
		r.reading.Reviewer = userName()
	}
	if r.run, err = openFinished(operands[0]); err != nil {
		return err
	}
	if r.results, err = pipeline.OpenResults(filepath.Join(r.run.dir, ledgerName)); err != nil {
		return err
	}
	defer r.results.Close()
	if r.exportIt {
		n, err := r.export(ctx)
		if err == nil {
			_, err = fmt.Fprintf(c.stdout, "%d reviews: %s\n", n, filepath.Join(r.run.dir, export.Reviewed.Name))
		}
		return err
	}
	return r.serve(ctx, c)
}

func userName() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "reviewer"
}

// serve answers until the first interrupt.
func (r *reviewer) serve(ctx context.Context, c command) error {
	ctx, end := context.WithCancel(ctx)
	defer end()
	go func() {
		select {
		case <-c.stop:
			end()
		case <-ctx.Done():
		}
	}()
	films, worker, err := r.films()
	if err != nil {
		return err
	}
	defer worker.Close()
	digest, err := runDigest(r.run.dir)
	if err != nil {
		return err
	}
	table := newSettled(settleTime, func() error { _, err := r.export(context.WithoutCancel(ctx)); return err })
	defer table.close()
	s, err := review.New(ctx, review.Config{
		Run: digest, Femurs: r.run.femurs, Results: r.results, Films: films, Reading: r.reading,
		Thumb: func(source string, frame int) string {
			return filepath.Join(r.run.dir, overlayDir, export.FrameName(source, frame)+".png")
		},
		Changed: table.changed,
	})
	if err != nil {
		return err
	}
	l, guard, err := review.Listen(r.listen, r.cert != "")
	if err != nil {
		return usageError{err.Error()}
	}
	fmt.Fprintf(c.stdout, "%d rows to review as %q: open %s\nCtrl-C ends it; every decision is kept at once\n", len(r.run.femurs), r.reading.Reviewer, guard.Address())
	if err := review.Serve(ctx, l, guard.Wrap(s.Handler()), r.cert, r.key); err != nil {
		return err
	}
	return table.close()
}

// films finds the run's films again, and a worker to read them.
func (r *reviewer) films() (*review.Films, *pipeline.Single, error) {
	set := r.run.report.Settings
	set.KeyFile, set.NailsFile = "", "" // neither is needed: keys stand in the rows, nails in run.json
	config, err := set.config()
	if err != nil {
		return nil, nil, err
	}
	config.Film.Nails = r.run.report.Nails
	if config.Worker, err = pipeline.FilmWorker(); err != nil {
		return nil, nil, err
	}
	digests := make(map[string]string)
	for _, f := range r.run.report.Inputs {
		digests[f.Source] = f.SHA256
	}
	worker := pipeline.NewSingle(config)
	return &review.Films{
		Measurer: worker, Settings: config.Film, Digests: digests, MaxBytes: config.MaxBytes, Algorithm: r.run.report.Algorithm,
		List: func(ctx context.Context) (source.Listing, error) { return r.run.listing(ctx, config.MaxBytes) },
	}, worker, nil
}

// runDigest names the rows of an output: other rows, another name.
func runDigest(dir string) (string, error) {
	b, err := os.ReadFile(filepath.Join(dir, rowsName))
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16]), nil
}
