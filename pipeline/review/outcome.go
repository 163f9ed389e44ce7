package review

import (
	"context"
	"database/sql"
	"fmt"
	"sort"

	"shaftgauge/measure"
	"shaftgauge/pipeline"
)

// Outcome is what a reading came to for one row of a run.
type Outcome struct {
	Row     int // place among the rows
	Second  bool
	Current // Femur is set where it was corrected
}

// Outcomes returns what was decided of the rows of a run: rows in their order,
// the first reading of a row before the second ones. Open rows have none, and
// neither have decisions of a film that was measured anew since.
func Outcomes(ctx context.Context, results *pipeline.Results, femurs []measure.Femur) ([]Outcome, error) {
	if ok, err := reviewed(ctx, results.DB()); err != nil || !ok {
		return nil, err
	}
	keys, err := results.Keys(ctx)
	if err != nil {
		return nil, err
	}
	place := make(map[Row]int, len(femurs))
	for i, name := range Names(femurs, keys) {
		place[name] = i
	}
	s := &Store{db: results.DB()}
	all, err := s.all(ctx)
	if err != nil {
		return nil, err
	}
	var out []Outcome
	for at, c := range all {
		i, ok := place[at.Row]
		if !ok || c.State == Open {
			continue
		}
		f, err := s.Femur(ctx, c)
		if err != nil {
			return nil, err
		}
		c.Femur = f
		out = append(out, Outcome{Row: i, Second: at.Second, Current: c})
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := out[i], out[j]
		switch {
		case a.Row != b.Row:
			return a.Row < b.Row
		case a.Second != b.Second:
			return b.Second
		}
		return a.Reviewer < b.Reviewer
	})
	return out, nil
}

// reviewed tells whether a ledger has a table of decisions.
func reviewed(ctx context.Context, db *sql.DB) (bool, error) {
	var n int
	err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'decision'").Scan(&n)
	if err != nil {
		return false, fmt.Errorf("review: store: %w", err)
	}
	return n > 0, nil
}

// Record is the record that holds after the outcome, of a row that was measured
// as given: nil where it was rejected.
func (o Outcome) Record(measured *measure.Record) *measure.Record {
	switch {
	case o.State == Rejected:
		return nil
	case o.Femur != nil:
		return &o.Femur.Record
	}
	return measured
}
