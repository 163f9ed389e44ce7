package review

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

var (
	row       = Row{Film: "k", Source: "a.dcm", Frame: 1, N: 1}
	measured1 = Held{State: Open, Values: map[measure.Quantity]measure.Value{measure.NeckShaftAngle: {X: 125, U95: 1}}}
	ann       = Reading{Reviewer: "ann"}
	ben       = Reading{Reviewer: "ben"}
	second    = Reading{Second: true, Reviewer: "cay"}
)

func store(t testing.TB) *Store {
	t.Helper()
	s, err := OpenStore(t.Context(), archive(t).results.DB(), "run")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func accepted(note string) Decision {
	return Decision{Held: Held{State: Accepted, Values: measured1.Values}, Note: note}
}

func decide(t testing.TB, s *Store, by Reading, base int, d Decision) Current {
	t.Helper()
	c, err := s.Decide(t.Context(), row, by, base, d, measured1)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Nothing that was decided can be changed or removed, whatever the statement.
func TestDecisionsAreOnlyAppended(t *testing.T) {
	s := store(t)
	decide(t, s, ann, 0, accepted("a"))
	dump := func() string {
		var out string
		if err := s.db.QueryRow("SELECT group_concat(id || state || reviewer || after) FROM decision").Scan(&out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	was := dump()
	columns := "run, film, source, frame, femur, reading, stream, version, reviewer, at, kind, state, before, after"
	for _, statement := range []string{
		"UPDATE decision SET reviewer = 'x'",
		"DELETE FROM decision",
		"INSERT OR REPLACE INTO decision (id, " + columns + ") SELECT id, " + strings.ReplaceAll(columns, "reviewer", "'x'") + " FROM decision",
		"INSERT OR REPLACE INTO decision (" + columns + ") SELECT " + strings.ReplaceAll(columns, "reviewer", "'x'") + " FROM decision",
		"UPDATE OR REPLACE decision SET version = 2",
	} {
		if _, err := s.db.Exec(statement); err == nil {
			t.Errorf("went through: %s", statement)
		}
		if now := dump(); now != was {
			t.Errorf("%s: %s, was %s", statement, now, was)
		}
	}
}

func TestDecideAndUndo(t *testing.T) {
	s := store(t)
	if c, err := s.Current(t.Context(), row, ann); err != nil || c.State != Open || c.Version != 0 {
		t.Fatalf("%+v, %v", c, err)
	}
	if _, err := s.Undo(t.Context(), row, ann, 0, measured1); !errors.Is(err, ErrNothing) {
		t.Errorf("undo of nothing: %v", err)
	}
	f := femur("p", "1", "", measure.Right, 120)
	corrected := Decision{Held: Held{State: Corrected, Corrections: []job.Correction{{Kind: job.MoveLandmark, Name: "head_centre", To: [2]float64{120, 3}}}, Values: f.Record.Values},
		Note: "head", Ticks: map[string]string{"general_thickening": No}, Femur: &f}
	decide(t, s, ann, 0, corrected)
	decide(t, s, ann, 1, Decision{Held: Held{State: Rejected}, Reason: "blurred"})
	c, err := s.Undo(t.Context(), row, ann, 2, measured1)
	if err != nil || c.State != Corrected || c.Version != 3 || c.Note != "head" || !reflect.DeepEqual(c.Corrections, corrected.Corrections) || c.Ticks["general_thickening"] != No {
		t.Fatalf("%+v, %v", c, err)
	}
	got, err := s.Femur(t.Context(), c)
	if err != nil || got.Record.Values[measure.NeckShaftAngle].X != 120 || len(got.Profile) != 1 || got.Geometry == nil {
		t.Errorf("%+v, %v", got, err)
	}
	if c, err = s.Undo(t.Context(), row, ann, 3, measured1); err != nil || c.State != Open || c.Version != 4 {
		t.Errorf("%+v, %v", c, err)
	}
	if states, err := s.States(t.Context(), ann); err != nil || states[row] != Open {
		t.Errorf("%v, %v", states, err)
	}
	// Every record says what held before it and after.
	rows, err := s.db.Query("SELECT kind, state, json_extract(before, '$.state'), json_extract(after, '$.state'), json_extract(before, '$.values.neck_shaft_angle_deg.x') FROM decision ORDER BY id")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var have []string
	for rows.Next() {
		var kind, state, before, after string
		var angle any
		if err := rows.Scan(&kind, &state, &before, &after, &angle); err != nil {
			t.Fatal(err)
		}
		have = append(have, fmt.Sprint(kind, " ", state, " ", before, " ", after, " ", angle))
	}
	want := []string{"decide corrected open corrected 125", "decide rejected corrected rejected 120", "undo corrected rejected corrected <nil>", "undo open corrected open 120"}
	if !reflect.DeepEqual(have, want) {
		t.Errorf("records %q\nwant %q", have, want)
	}
}

// Two tabs, and two readers, of the first reading: the slower one is told, and
// both decisions stay on record.
func TestConflict(t *testing.T) {
	s := store(t)
	decide(t, s, ann, 0, accepted("ann"))
	c, err := s.Decide(t.Context(), row, ben, 0, accepted("ben"), measured1)
	if !errors.Is(err, ErrConflict) || c.Note != "ann" || c.Version != 1 || c.Reviewer != "ann" {
		t.Fatalf("%+v, %v", c, err)
	}
	if _, err := s.Undo(t.Context(), row, ann, 0, measured1); !errors.Is(err, ErrConflict) {
		t.Errorf("undo: %v", err)
	}
	if c := decide(t, s, ben, 1, accepted("ben")); c.Version != 2 || c.Reviewer != "ben" {
		t.Errorf("%+v", c)
	}
}

// Many at once on one row: as many records as were told that theirs was kept.
func TestDecideAtOnce(t *testing.T) {
	s := store(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	kept := 0
	for i := range 8 {
		wg.Go(func() {
			for range 5 {
				c, err := s.Current(t.Context(), row, ann)
				if err != nil {
					t.Error(err)
					return
				}
				_, err = s.Decide(t.Context(), row, ann, c.Version, accepted(fmt.Sprint(i)), measured1)
				switch {
				case err == nil:
					mu.Lock()
					kept++
					mu.Unlock()
				case !errors.Is(err, ErrConflict):
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	c, err := s.Current(t.Context(), row, ann)
	if err != nil || c.Version != kept || kept == 0 {
		t.Errorf("version %d, %d kept: %v", c.Version, kept, err)
	}
}

// A second reader's decisions are his own, and the first reading's are not his.
func TestSecondReading(t *testing.T) {
	s := store(t)
	decide(t, s, ann, 0, accepted("ann"))
	if c, err := s.Current(t.Context(), row, second); err != nil || c.State != Open || c.Version != 0 || c.Note != "" {
		t.Errorf("the second reader sees %+v, %v", c, err)
	}
	decide(t, s, second, 0, Decision{Held: Held{State: Rejected}, Reason: "cay"})
	other := Reading{Second: true, Reviewer: "dan"}
	for by, want := range map[Reading]State{ann: Accepted, ben: Accepted, second: Rejected, other: Open, {Reviewer: "cay"}: Accepted} {
		c, err := s.Current(t.Context(), row, by)
		if err != nil || c.State != want {
			t.Errorf("%+v: %v, %v", by, c.State, err)
		}
		states, err := s.States(t.Context(), by)
		if got, ok := states[row]; err != nil || ok && got != want || !ok && want != Open {
			t.Errorf("%+v: %v, %v", by, states, err)
		}
	}
}

// What was decided of a film does not hold for another film in its place.
func TestDecisionsGoWithTheFilm(t *testing.T) {
	s := store(t)
	decide(t, s, ann, 0, accepted(""))
	changed := row
	changed.Film = "other key"
	if c, err := s.Current(t.Context(), changed, ann); err != nil || c.State != Open {
		t.Errorf("%+v, %v", c, err)
	}
}

func TestOutcomes(t *testing.T) {
	r := archive(t)
	if out, err := Outcomes(t.Context(), r.results, r.femurs); err != nil || out != nil {
		t.Errorf("of a run that nobody reviewed: %v, %v", out, err)
	}
	s, err := OpenStore(t.Context(), r.results.DB(), "run")
	if err != nil {
		t.Fatal(err)
	}
	keys, err := r.results.Keys(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	names := Names(r.femurs, keys)
	if names[1].N != 2 || names[0].N != 1 || names[2].N != 1 || names[0].Film == "" || names[0].Film != names[1].Film || names[2].Film == names[0].Film {
		t.Fatalf("%+v", names)
	}
	better := femur("p", "2", "", measure.Right, 140)
	put := func(i int, by Reading, d Decision) {
		t.Helper()
		if _, err := s.Decide(t.Context(), names[i], by, 0, d, heldOf(Open, &r.femurs[i].Record)); err != nil {
			t.Fatal(err)
		}
	}
	put(2, second, accepted("second"))
	put(2, ann, Decision{Held: heldOf(Corrected, &better.Record), Femur: &better})
	put(1, ann, Decision{Held: Held{State: Rejected}, Reason: "no"})
	put(0, ann, Decision{Held: heldOf(Open, &r.femurs[0].Record), Note: "later"})
	gone := names[3]
	gone.Film = "measured anew since"
	if _, err := s.Decide(t.Context(), gone, ann, 0, accepted(""), measured1); err != nil {
		t.Fatal(err)
	}
	out, err := Outcomes(t.Context(), r.results, r.femurs)
	if err != nil || len(out) != 3 {
		t.Fatalf("%+v, %v", out, err)
	}
	if o := out[0]; o.Row != 1 || o.State != Rejected || o.Record(&r.femurs[1].Record) != nil {
		t.Errorf("%+v", o)
	}
	if o := out[1]; o.Row != 2 || o.Second || o.Record(&r.femurs[2].Record).Values[measure.NeckShaftAngle].X != 140 {
		t.Errorf("%+v", o)
	}
	if o := out[2]; o.Row != 2 || !o.Second || o.Reviewer != "cay" || o.Record(&r.femurs[2].Record) != &r.femurs[2].Record {
		t.Errorf("%+v", o)
	}
}
