package pipeline

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// A film that takes the worker down costs itself only, and the next one finds a
// worker again.
func TestSingle(t *testing.T) {
	dir := t.TempDir()
	c, log := testConfig(dir)
	c.TimeLimit = 5 * time.Second
	films := writeFilms(t, dir, "ok", "exit", "ok again")
	s := NewSingle(c)
	defer s.Close()
	for i, want := range []measure.Reason{"", measure.WorkerCrashed, ""} {
		a, err := s.Measure(t.Context(), job.Job{Path: films[i].Path, Source: films[i].Source})
		if err != nil {
			t.Fatal(err)
		}
		if r := a.Femurs[0].Record; want == "" && r.Status != measure.StatusMeasured || want != "" && !slices.Contains(r.Reasons, want) {
			t.Errorf("film %d: %s %v", i, r.Status, r.Reasons)
		}
	}
	if got := readLog(t, log); got["0.film"] != 1 || got["2.film"] != 1 {
		t.Errorf("measured %v", got)
	}
}

// Who no longer waits is not measured; who waits when it is closed is told.
func TestSingleStops(t *testing.T) {
	dir := t.TempDir()
	c, log := testConfig(dir)
	films := writeFilms(t, dir, "hang", "ok")
	s := NewSingle(c)
	done := make(chan error, 1)
	go func() {
		_, err := s.Measure(context.Background(), job.Job{Path: films[0].Path, Source: films[0].Source})
		done <- err
	}()
	for len(readLog(t, log)) == 0 {
		time.Sleep(5 * time.Millisecond)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := s.Measure(ctx, job.Job{Path: films[1].Path, Source: films[1].Source}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("waited in vain: %v", err)
	}
	s.Close()
	if err := <-done; err == nil {
		t.Error("an answer from a closed worker")
	}
	if _, err := s.Measure(t.Context(), job.Job{}); !errors.Is(err, ErrClosed) {
		t.Errorf("after the close: %v", err)
	}
	if got := readLog(t, log); got["1.film"] != 0 {
		t.Errorf("measured %v", got)
	}
}

// Results have what the run measured, share the ledger with other readers and
// keep runs out.
func TestResults(t *testing.T) {
	dir := t.TempDir()
	c, _ := testConfig(dir)
	if _, err := OpenResults(c.Ledger); err == nil {
		t.Fatal("results without a run")
	}
	films := writeFilms(t, dir, "ok", "other", "ok") // the last has the first one's content
	if _, err := Run(t.Context(), c, films, newMemorySink()); err != nil {
		t.Fatal(err)
	}
	r, err := OpenResults(c.Ledger)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	again, err := OpenResults(c.Ledger)
	if err != nil {
		t.Fatalf("a second reader: %v", err)
	}
	keys, err := again.Keys(t.Context())
	if err != nil || len(keys) != 3 || keys["0.film"] != keys["2.film"] || keys["0.film"] == keys["1.film"] {
		t.Fatalf("keys %v, %v", keys, err)
	}
	again.Close()
	a, ok, err := r.Answer(t.Context(), keys["1.film"])
	if err != nil || !ok || a.Femurs[0].Record.Values["bow_radius_mm"].X != 5 || len(a.Femurs[0].Profile) != 1 {
		t.Errorf("%+v, %v, %v", a, ok, err)
	}
	if _, ok, err := r.Answer(t.Context(), "none"); ok || err != nil {
		t.Errorf("%v, %v", ok, err)
	}
	if _, err := Run(t.Context(), c, films, newMemorySink()); !errors.Is(err, ErrLocked) {
		t.Errorf("a run beside a reader: %v", err)
	}
	r.Close()
	l, err := openLedger(c.Ledger)
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	if _, err := OpenResults(c.Ledger); !errors.Is(err, ErrLocked) {
		t.Errorf("a reader beside a run: %v", err)
	}
}
