package pipeline

import (
	"context"
	"database/sql"
	"encoding/hex"
	"fmt"
	"os"

	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/source"
)

// Results reads the ledger of a finished run. While it is open no run can write
// to the same output; other Results can be open.
type Results struct{ ledger }

// OpenResults opens the ledger at path. Close it.
//
// Errors: there is none, or a run is writing it (ErrLocked).
func OpenResults(path string) (*Results, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	l, err := openShared(path)
	if err != nil {
		return nil, err
	}
	return &Results{*l}, nil
}

// Close lets runs write again.
func (r *Results) Close() error { return r.close() }

// DB is the ledger's database, for tables that others keep beside its own.
func (r *Results) DB() *sql.DB { return r.db }

// Keys returns the key of every film in the output, by source: another key is
// another film, or the same one measured another way.
func (r *Results) Keys(ctx context.Context) (map[string]string, error) {
	rows, err := r.db.QueryContext(ctx, "SELECT source, key FROM written")
	if err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	defer rows.Close()
	out := make(map[string]string)
	for rows.Next() {
		var source, key string
		if err := rows.Scan(&source, &key); err != nil {
			return nil, fmt.Errorf("pipeline: ledger: %w", err)
		}
		out[source] = key
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("pipeline: ledger: %w", err)
	}
	return out, nil
}

// Answer returns what was measured under a key, without pictures' pixels. ok is
// false where the ledger does not hold it.
func (r *Results) Answer(ctx context.Context, key string) (a job.Answer, ok bool, err error) {
	e, ok, err := r.get(ctx, key)
	return e.answer, ok, err
}

// Digest returns the SHA-256 of a film's content as run.json has it. No more
// than limit bytes are read.
func Digest(f source.File, limit int64) (string, error) {
	sum, failed := digest(f, limit)
	if failed != nil {
		return "", fmt.Errorf("pipeline: %s: %s", failed.reason, failed.detail)
	}
	return hex.EncodeToString(sum[:]), nil
}
