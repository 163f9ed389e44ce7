package review

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// State is what a reader made of a row.
type State string

// The states of a row.
const (
	Open      State = "open"
	Accepted  State = "accepted"
	Corrected State = "corrected"
	Rejected  State = "rejected"
)

// Row names one femur: the N-th row of a frame of a film of the output. Film is
// the ledger's key: when the film, its settings or the method change, it is
// another row, and what was decided of the old one does not hold for it.
type Row struct {
	Film, Source string
	Frame, N     int // from 1
}

// Reading is whose decisions count together. The first reading is shared by all
// of its readers, who see what the others decided. A second reader sees only
// what he decided himself; nobody of the first reading sees that.
type Reading struct {
	Second   bool
	Reviewer string
}

func (r Reading) name() string {
	if r.Second {
		return "second"
	}
	return "first"
}

// stream is whose decisions of one row are counted by one version.
func (r Reading) stream() string {
	if r.Second {
		return r.Reviewer
	}
	return ""
}

// Held is what holds for a row: its numbers and what of them a hand has set.
type Held struct {
	State       State                              `json:"state"`
	Corrections []job.Correction                   `json:"corrections,omitempty"`
	Values      map[measure.Quantity]measure.Value `json:"values,omitempty"` // none where rejected
	Texts       map[string]string                  `json:"texts,omitempty"`
}

// Decision is what was decided of a row.
type Decision struct {
	Held
	Reason string            `json:"reason,omitempty"` // of a rejection
	Note   string            `json:"note,omitempty"`
	Ticks  map[string]string `json:"ticks,omitempty"` // by key: yes, no or unsure

	Femur *measure.Femur `json:"-"` // as corrected; nil where nothing was
}

// Current is where a row stands in a reading.
type Current struct {
	Decision
	Version  int // decisions and undos so far
	Reviewer string
	At       time.Time

	record int64 // that the decision stands in
}

// ErrConflict reports a decision based on a version that is not the newest.
var ErrConflict = errors.New("review: another decision was made in the meantime")

// ErrNothing reports an undo where nothing was decided.
var ErrNothing = errors.New("review: nothing to undo")

// Store keeps decisions in a table of the ledger's database.
type Store struct {
	db    *sql.DB
	run   string
	clock func() time.Time
}

// Nothing of this table is ever changed or removed: REPLACE, which deletes
// without firing a trigger, is caught at the insert.
const schema = `
CREATE TABLE IF NOT EXISTS decision (
	id       INTEGER PRIMARY KEY AUTOINCREMENT,
	run      TEXT NOT NULL,    -- digest of the rows that were reviewed
	film     TEXT NOT NULL,    -- the ledger's key of the film; empty: it never reached a worker
	source   TEXT NOT NULL,
	frame    INTEGER NOT NULL, -- from 1
	femur    INTEGER NOT NULL, -- row of the frame, from 1
	reading  TEXT NOT NULL CHECK (reading IN ('first', 'second')),
	stream   TEXT NOT NULL,    -- empty for the first reading, the reviewer of a second one
	version  INTEGER NOT NULL, -- within film, source, frame, femur and stream, from 1
	reviewer TEXT NOT NULL,
	at       TEXT NOT NULL,    -- RFC 3339, UTC
	kind     TEXT NOT NULL CHECK (kind IN ('decide', 'undo')),
	state    TEXT NOT NULL CHECK (state IN ('open', 'accepted', 'corrected', 'rejected')), -- from now on
	before   TEXT NOT NULL,    -- what held before: Held, JSON
	after    TEXT NOT NULL,    -- what holds from now on: Decision, JSON
	femur_after TEXT,          -- the femur as corrected: job.Answer, JSON
	UNIQUE (film, source, frame, femur, stream, version)
);
CREATE TRIGGER IF NOT EXISTS decision_update BEFORE UPDATE ON decision
	BEGIN SELECT RAISE(ABORT, 'decisions are only appended'); END;
CREATE TRIGGER IF NOT EXISTS decision_delete BEFORE DELETE ON decision
	BEGIN SELECT RAISE(ABORT, 'decisions are only appended'); END;
CREATE TRIGGER IF NOT EXISTS decision_replace BEFORE INSERT ON decision
	WHEN EXISTS (SELECT 1 FROM decision WHERE id = NEW.id
		OR film = NEW.film AND source = NEW.source AND frame = NEW.frame AND femur = NEW.femur AND stream = NEW.stream AND version = NEW.version)
	BEGIN SELECT RAISE(ABORT, 'decisions are only appended'); END;`

// OpenStore makes the table of decisions where it is not there. run is the
// digest of the rows that are reviewed.
func OpenStore(ctx context.Context, db *sql.DB, run string) (*Store, error) {
	if _, err := db.ExecContext(ctx, schema); err != nil {
		return nil, fmt.Errorf("review: store: %w", err)
	}
	return &Store{db: db, run: run, clock: time.Now}, nil
}

// Decide appends a decision that its reader based on version base of the row,
// whose numbers were before it as measured says when nothing was decided. It
// returns where the row stands now; with ErrConflict, where it stands instead.
func (s *Store) Decide(ctx context.Context, r Row, by Reading, base int, d Decision, measured Held) (Current, error) {
	return s.append(ctx, r, by, base, "decide", func(before []Current) (Decision, Held, error) {
		if len(before) > 0 {
			measured = before[len(before)-1].Held
		}
		return d, measured, nil
	})
}

// Undo appends that the last decision that holds does not. Errors as of Decide,
// and ErrNothing.
func (s *Store) Undo(ctx context.Context, r Row, by Reading, base int, measured Held) (Current, error) {
	return s.append(ctx, r, by, base, "undo", func(before []Current) (Decision, Held, error) {
		n := len(before)
		switch n {
		case 0:
			return Decision{}, Held{}, ErrNothing
		case 1:
			return Decision{Held: measured}, before[0].Held, nil
		}
		return before[n-2].Decision, before[n-1].Held, nil
	})
}

// append adds one record to a stream. next is given the decisions that hold one
// upon the other, the last on top.
func (s *Store) append(ctx context.Context, r Row, by Reading, base int, kind string, next func([]Current) (Decision, Held, error)) (Current, error) {
	stack, version, err := s.stack(ctx, r, by)
	if err != nil {
		return Current{}, err
	}
	if version != base {
		return top(stack, version), ErrConflict
	}
	d, before, err := next(stack)
	if err != nil {
		return top(stack, version), err
	}
	var femur sql.NullString
	if d.Femur != nil {
		b, err := json.Marshal(job.Answer{Source: r.Source, Femurs: []measure.Femur{*d.Femur}})
		if err != nil {
			return Current{}, fmt.Errorf("review: store: %w", err)
		}
		femur = sql.NullString{String: string(b), Valid: true}
	}
	was, err := json.Marshal(before)
	if err != nil {
		return Current{}, fmt.Errorf("review: store: %w", err)
	}
	now, err := json.Marshal(d)
	if err != nil {
		return Current{}, fmt.Errorf("review: store: %w", err)
	}
	_, err = s.db.ExecContext(ctx, `INSERT INTO decision
		(run, film, source, frame, femur, reading, stream, version, reviewer, at, kind, state, before, after, femur_after)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		s.run, r.Film, r.Source, r.Frame, r.N, by.name(), by.stream(), version+1, by.Reviewer,
		s.clock().UTC().Format(time.RFC3339Nano), kind, d.State, was, now, femur)
	stack, have, again := s.stack(ctx, r, by)
	switch {
	case err != nil && again == nil && have > version:
		return top(stack, have), ErrConflict // somebody was faster
	case err != nil:
		return Current{}, fmt.Errorf("review: store: %w", err)
	case again != nil:
		return Current{}, again
	}
	return top(stack, have), nil
}

// top is where a row stands whose decisions hold one upon the other.
func top(stack []Current, version int) Current {
	out := Current{Decision: Decision{Held: Held{State: Open}}}
	if n := len(stack); n > 0 {
		out = stack[n-1]
	}
	out.Version = version
	return out
}

// Current returns where a row stands.
func (s *Store) Current(ctx context.Context, r Row, by Reading) (Current, error) {
	stack, version, err := s.stack(ctx, r, by)
	if err != nil {
		return Current{}, err
	}
	return top(stack, version), nil
}

// stack reads the decisions of a row that hold, and its version.
func (s *Store) stack(ctx context.Context, r Row, by Reading) ([]Current, int, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT id, kind, reviewer, at, after FROM decision
		WHERE film = ? AND source = ? AND frame = ? AND femur = ? AND stream = ? AND reading = ? ORDER BY version`,
		r.Film, r.Source, r.Frame, r.N, by.stream(), by.name())
	if err != nil {
		return nil, 0, fmt.Errorf("review: store: %w", err)
	}
	defer rows.Close()
	var stack []Current
	version := 0
	for rows.Next() {
		var c Current
		var kind string
		if err := c.scan(rows, &kind); err != nil {
			return nil, 0, err
		}
		version++
		stack = push(stack, c, kind)
	}
	if err := rows.Err(); err != nil {
		return nil, 0, fmt.Errorf("review: store: %w", err)
	}
	return stack, version, nil
}

func push(stack []Current, c Current, kind string) []Current {
	if kind == "undo" {
		return stack[:max(0, len(stack)-1)]
	}
	return append(stack, c)
}

// scan reads id, kind, reviewer, at and after, with more columns before them.
func (c *Current) scan(rows *sql.Rows, kind *string, more ...any) error {
	var at, after string
	if err := rows.Scan(append(more, &c.record, kind, &c.Reviewer, &at, &after)...); err != nil {
		return fmt.Errorf("review: store: %w", err)
	}
	var err error
	if c.At, err = time.Parse(time.RFC3339Nano, at); err != nil {
		return fmt.Errorf("review: store: record %d: %w", c.record, err)
	}
	if err := json.Unmarshal([]byte(after), &c.Decision); err != nil {
		return fmt.Errorf("review: store: record %d: %w", c.record, err)
	}
	return nil
}

// Femur returns the femur as the decision c corrected it; nil where it did not.
func (s *Store) Femur(ctx context.Context, c Current) (*measure.Femur, error) {
	if c.State != Corrected || c.record == 0 {
		return nil, nil
	}
	var text sql.NullString
	if err := s.db.QueryRowContext(ctx, "SELECT femur_after FROM decision WHERE id = ?", c.record).Scan(&text); err != nil {
		return nil, fmt.Errorf("review: store: record %d: %w", c.record, err)
	}
	var a job.Answer
	if err := json.Unmarshal([]byte(text.String), &a); err != nil || len(a.Femurs) != 1 {
		return nil, fmt.Errorf("review: store: record %d: no femur: %w", c.record, err)
	}
	return &a.Femurs[0], nil
}

// States returns the state of every row that anybody of the reading has decided
// on.
func (s *Store) States(ctx context.Context, by Reading) (map[Row]State, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT film, source, frame, femur, kind, state FROM decision
		WHERE reading = ? AND stream = ? ORDER BY id`, by.name(), by.stream())
	if err != nil {
		return nil, fmt.Errorf("review: store: %w", err)
	}
	defer rows.Close()
	out := make(map[Row]State)
	for rows.Next() {
		var r Row
		var kind string
		var state State
		if err := rows.Scan(&r.Film, &r.Source, &r.Frame, &r.N, &kind, &state); err != nil {
			return nil, fmt.Errorf("review: store: %w", err)
		}
		out[r] = state // an undo names the state it goes back to
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("review: store: %w", err)
	}
	return out, nil
}

// seat is one row in one reading.
type seat struct {
	Row
	Reading // Reviewer is empty for the first
}

// all returns where all rows stand in all readings.
func (s *Store) all(ctx context.Context) (map[seat]Current, error) {
	rows, err := s.db.QueryContext(ctx, `SELECT film, source, frame, femur, reading, stream, id, kind, reviewer, at, after
		FROM decision ORDER BY id`)
	if err != nil {
		return nil, fmt.Errorf("review: store: %w", err)
	}
	defer rows.Close()
	stacks, versions := make(map[seat][]Current), make(map[seat]int)
	for rows.Next() {
		var c Current
		var at seat
		var kind, reading string
		if err := c.scan(rows, &kind, &at.Film, &at.Source, &at.Frame, &at.N, &reading, &at.Reviewer); err != nil {
			return nil, err
		}
		at.Second = reading == "second"
		stacks[at] = push(stacks[at], c, kind)
		versions[at]++
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("review: store: %w", err)
	}
	out := make(map[seat]Current, len(stacks))
	for at, stack := range stacks {
		out[at] = top(stack, versions[at])
	}
	return out, nil
}
