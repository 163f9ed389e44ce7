package main

import (
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"time"

	"shaftgauge/export"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/review"
)

// export writes reviewed.csv and tells how many reviews it holds.
func (r *reviewer) export(ctx context.Context) (int, error) {
	outcomes, err := review.Outcomes(ctx, r.results, r.run.femurs)
	if err != nil {
		return 0, err
	}
	names := review.Names(r.run.femurs, nil)
	var out []export.ReviewedFemur
	for _, o := range outcomes {
		f := export.ReviewedFemur{Measured: &r.run.femurs[o.Row].Record, Femur: names[o.Row].N,
			By: export.ReviewedBy{Reading: "first", Basis: string(o.State), Reviewer: o.Reviewer,
				At: o.At.UTC().Format(time.RFC3339), Why: o.Reason, Note: o.Note}}
		if o.Second {
			f.By.Reading = "second"
		}
		f.Reviewed = o.Record(f.Measured)
		for _, t := range review.Ticks {
			if answer := o.Ticks[t.Key]; answer != "" {
				f.Answers = append(f.Answers, [2]string{t.Key, answer})
			}
		}
		out = append(out, f)
	}
	return len(out), writeTable(r.run.dir, &export.Reviewed, export.ReviewedRows(out))
}

// reviews are what the first reading came to, by row; rows that nobody reviewed
// have none.
func (f finished) reviews(ctx context.Context) (map[int]review.Outcome, error) {
	results, err := pipeline.OpenResults(filepath.Join(f.dir, ledgerName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // an output whose ledger was left behind
	}
	if err != nil {
		return nil, err
	}
	defer results.Close()
	outcomes, err := review.Outcomes(ctx, results, f.femurs)
	if err != nil {
		return nil, err
	}
	out := make(map[int]review.Outcome)
	for _, o := range outcomes {
		if !o.Second {
			out[o.Row] = o
		}
	}
	return out, nil
}
