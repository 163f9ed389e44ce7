package pipeline

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/source"
)

// memorySink keeps what it is given.
type memorySink struct {
	mu    sync.Mutex
	files map[string]string // source to the answer its files show; stands for the files on disk
	put   []job.Answer
}

func newMemorySink() *memorySink { return &memorySink{files: make(map[string]string)} }

func (s *memorySink) Begin() error { return nil }

func (s *memorySink) Film(_ context.Context, a job.Answer) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.files[a.Source] = shown(a)
	return nil
}

func (s *memorySink) Restore(_ context.Context, a job.Answer, first string) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(a.Pictures) == 0 {
		s.files[a.Source] = shown(a)
		return true, nil
	}
	for _, p := range a.Pictures {
		if p.Grey != nil {
			return false, errors.New("the ledger kept pixels")
		}
	}
	if _, ok := s.files[first]; !ok {
		return false, nil
	}
	s.files[a.Source] = shown(a)
	return true, nil
}

func shown(a job.Answer) string { return fmt.Sprint(a.Femurs[0].Record) }

func (s *memorySink) Put(_ context.Context, a job.Answer) error {
	s.put = append(s.put, a)
	return nil
}

// bytes returns all rows, as a table would hold them.
func (s *memorySink) bytes(t *testing.T) []byte {
	t.Helper()
	b, err := json.MarshalIndent(s.put, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// writeFilms writes films that hold these words, named by their number.
func writeFilms(t *testing.T, dir string, words ...string) []source.File {
	t.Helper()
	films := make([]source.File, len(words))
	for i, w := range words {
		films[i] = source.File{Path: filepath.Join(dir, fmt.Sprintf("%d.film", i)), Source: fmt.Sprintf("%d.film", i)}
		if err := os.WriteFile(films[i].Path, []byte(w), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return films
}

// readLog returns how often each film was measured.
func readLog(t *testing.T, path string) map[string]int {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	count := make(map[string]int)
	for _, s := range strings.Fields(string(b)) {
		count[s]++
	}
	return count
}

func mixedWords(n int) []string {
	words := make([]string, n)
	for i := range words {
		words[i] = fmt.Sprintf("slow film %d%s", i, strings.Repeat(".", i))
	}
	return words
}

// TestSameRowsWhateverTheWorkers compares the rows of runs with other numbers
// of workers, byte for byte.
func TestSameRowsWhateverTheWorkers(t *testing.T) {
	films := writeFilms(t, t.TempDir(), append(mixedWords(20), "exit", "slow film 3...")...)
	var want []byte
	for _, workers := range []int{1, 2, 5} {
		c, _ := testConfig(t.TempDir())
		c.Workers = workers
		sink := newMemorySink()
		if _, err := Run(t.Context(), c, films, sink); err != nil {
			t.Fatal(err)
		}
		got := sink.bytes(t)
		if want == nil {
			want = got
		}
		if !bytes.Equal(got, want) {
			t.Errorf("rows of %d workers differ from those of 1:\n%s\n%s", workers, got, want)
		}
	}
}

// TestLedger runs again with something changed and counts what is measured.
func TestLedger(t *testing.T) {
	tests := []struct {
		name   string
		change func(t *testing.T, c *Config, films []source.File, sink *memorySink)
		want   []int // films measured by the second run
	}{
		{"nothing", func(*testing.T, *Config, []source.File, *memorySink) {}, nil},
		{"content", func(t *testing.T, _ *Config, films []source.File, _ *memorySink) {
			if err := os.WriteFile(films[1].Path, []byte("ok other"), 0o644); err != nil {
				t.Fatal(err)
			}
		}, []int{1}},
		{"setting", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.Film.MarkerDiameterMM = 25 }, []int{0, 1, 2, 3}},
		{"films.csv", func(_ *testing.T, _ *Config, films []source.File, _ *memorySink) { films[2].Beside.Side = "L" }, []int{2}},
		{"workers", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.Workers = 3 }, nil},
		{"time limit", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.TimeLimit *= 2 }, []int{3}},
		{"retry", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.Retry = true }, []int{3}},
		{"no pictures", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.Film.Picture = 0 }, nil},
		{"larger pictures", func(_ *testing.T, c *Config, _ []source.File, _ *memorySink) { c.Film.Picture = 9 }, []int{0, 1, 2, 3}},
		{"lost files", func(_ *testing.T, _ *Config, _ []source.File, s *memorySink) { delete(s.files, "1.film") }, []int{1}},
		{"renamed", func(_ *testing.T, _ *Config, films []source.File, _ *memorySink) { films[0].Source = "new.film" }, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			films := writeFilms(t, dir, "ok a", "ok bb", "ok ccc", "exit")
			c, log := testConfig(dir)
			c.Film.Picture = 5
			sink := newMemorySink()
			if _, err := Run(t.Context(), c, films, sink); err != nil {
				t.Fatal(err)
			}
			if err := os.Remove(log); err != nil {
				t.Fatal(err)
			}
			tt.change(t, &c, films, sink)
			sink.put = nil
			s, err := Run(t.Context(), c, films, sink)
			if err != nil {
				t.Fatal(err)
			}
			want := make(map[string]int)
			for _, i := range tt.want {
				want[films[i].Source] = 1
			}
			got := readLog(t, log)
			for source := range got {
				got[source] = 1 // a crashing film is tried in a used and in a fresh worker
			}
			if !maps.Equal(got, want) {
				t.Errorf("measured %v, want %v", got, want)
			}
			if s.Measured != len(tt.want) || s.Reused != len(films)-len(tt.want) {
				t.Errorf("%d measured and %d reused, want %d and %d", s.Measured, s.Reused, len(tt.want), len(films)-len(tt.want))
			}
			for i, f := range films {
				if a := sink.put[i]; a.Source != f.Source || a.Femurs[0].Record.Source != f.Source || sink.files[f.Source] != shown(a) {
					t.Errorf("film %d: row of %q with the files of %q", i, a.Source, sink.files[f.Source])
				}
			}
		})
	}
}

// TestSameContentTwice: one measurement, a row for each path.
func TestSameContentTwice(t *testing.T) {
	dir := t.TempDir()
	films := writeFilms(t, dir, "slow same", "slow same", "ok", "slow same", "ok")
	c, log := testConfig(dir)
	c.Film.Picture = 5
	sink := newMemorySink()
	s, err := Run(t.Context(), c, films, sink)
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, n := range readLog(t, log) {
		total += n
	}
	if total != 2 || s.Measured != 2 || s.Reused != 3 {
		t.Errorf("%d films measured, summary %d and %d; want 2, 2 and 3", total, s.Measured, s.Reused)
	}
	for i, a := range sink.put {
		if a.Source != films[i].Source || sink.files[a.Source] != shown(a) {
			t.Errorf("row %d is of %q", i, a.Source)
		}
	}
}

// lateSink is slow to restore the first film, so that others of its content wait.
type lateSink struct{ *memorySink }

func (s lateSink) Restore(ctx context.Context, a job.Answer, first string) (bool, error) {
	if a.Source == "0.film" {
		time.Sleep(300 * time.Millisecond)
	}
	return s.memorySink.Restore(ctx, a, first)
}

// A copy whose files somebody removed has them again from its like, whichever the
// run comes to first, and also while it waits for that.
func TestSameContentWithLostFiles(t *testing.T) {
	for _, lost := range []string{"0.film", "1.film"} {
		for _, workers := range []int{1, 3} {
			t.Run(fmt.Sprint(lost, workers), func(t *testing.T) {
				dir := t.TempDir()
				films := writeFilms(t, dir, "ok same", "ok same", "ok same")
				c, log := testConfig(dir)
				c.Film.Picture, c.Workers = 5, workers
				sink := newMemorySink()
				if _, err := Run(t.Context(), c, films, sink); err != nil {
					t.Fatal(err)
				}
				if err := os.Remove(log); err != nil {
					t.Fatal(err)
				}
				delete(sink.files, lost)
				sink.put = nil
				if _, err := Run(t.Context(), c, films, lateSink{sink}); err != nil {
					t.Fatal(err)
				}
				if n := readLog(t, log); len(n) > 0 {
					t.Errorf("measured again: %v", n)
				}
				for i, a := range sink.put {
					if a.Source != films[i].Source || sink.files[a.Source] != shown(a) {
						t.Errorf("row %d is of %q", i, a.Source)
					}
				}
			})
		}
	}
}

// TestRefusedFilms: films that no worker may see have rows too.
func TestRefusedFilms(t *testing.T) {
	dir := t.TempDir()
	films := writeFilms(t, dir, "ok", "gone", strings.Repeat("x", 100))
	if err := os.Remove(films[1].Path); err != nil {
		t.Fatal(err)
	}
	films = append(films, source.File{Source: "bomb.zip", Refused: measure.UnreadableFile, Detail: "members overlap"})
	c, _ := testConfig(dir)
	c.MaxBytes = 50
	sink := newMemorySink()
	if _, err := Run(t.Context(), c, films, sink); err != nil {
		t.Fatal(err)
	}
	want := []measure.Reason{"", measure.UnreadableFile, measure.ImageTooLarge, measure.UnreadableFile}
	for i, a := range sink.put {
		var got measure.Reason
		if r := a.Femurs[0].Record.Reasons; len(r) > 0 {
			got = r[0]
		}
		if got != want[i] {
			t.Errorf("%s: reason %q, want %q", a.Source, got, want[i])
		}
	}
}

// What an earlier run wrote of a film that can no longer be read goes with it.
func TestRefusedFilmLeavesNoFiles(t *testing.T) {
	dir := t.TempDir()
	films := writeFilms(t, dir, "ok a", "ok bb")
	c, _ := testConfig(dir)
	sink := newMemorySink()
	for range 2 {
		sink.put = nil
		if _, err := Run(t.Context(), c, films, sink); err != nil {
			t.Fatal(err)
		}
		for _, a := range sink.put {
			if sink.files[a.Source] != shown(a) {
				t.Errorf("row %s has the files of %s", shown(a), sink.files[a.Source])
			}
		}
		if err := os.Remove(films[1].Path); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
}

// TestStop: a run that is asked to stop finishes what is in flight, and the
// next one goes on from there.
func TestStop(t *testing.T) {
	dir := t.TempDir()
	films := writeFilms(t, dir, mixedWords(30)...)
	c, log := testConfig(dir)
	stop := make(chan struct{})
	c.Stop = stop
	var once sync.Once
	c.Progress = func(p Progress) {
		if p.Done == 5 {
			once.Do(func() { close(stop) })
		}
	}
	sink := newMemorySink()
	_, err := Run(t.Context(), c, films, sink)
	if !errors.Is(err, ErrInterrupted) {
		t.Fatalf("error %v, want ErrInterrupted", err)
	}
	if len(sink.put) != 0 {
		t.Error("rows of an interrupted run")
	}
	if n := len(readLog(t, log)); n < 5 || n > 5+4*c.Workers {
		t.Errorf("%d films measured, want 5 and those in flight", n)
	}
	c.Stop, c.Progress = nil, nil
	if _, err := Run(t.Context(), c, films, sink); err != nil {
		t.Fatal(err)
	}
	for source, n := range readLog(t, log) {
		if n != 1 {
			t.Errorf("%s measured %d times", source, n)
		}
	}
	if len(sink.put) != len(films) {
		t.Errorf("%d rows", len(sink.put))
	}
}

// TestCancel: a run whose context ends stops at once, films in flight or not.
func TestCancel(t *testing.T) {
	dir := t.TempDir()
	c, _ := testConfig(dir)
	c.TimeLimit = time.Hour
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(500*time.Millisecond, cancel)
	start := time.Now()
	_, err := Run(ctx, c, writeFilms(t, dir, "hang", "hang too", "hang as well"), newMemorySink())
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	if d := time.Since(start); d > 10*time.Second {
		t.Errorf("took %v to stop", d)
	}
}

// TestLock: two runs do not share an output.
func TestLock(t *testing.T) {
	dir := t.TempDir()
	l, err := openLedger(filepath.Join(dir, "ledger.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	c, _ := testConfig(dir)
	if _, err := Run(t.Context(), c, writeFilms(t, dir, "ok"), newMemorySink()); !errors.Is(err, ErrLocked) {
		t.Errorf("error %v, want ErrLocked", err)
	}
}

// TestPseudonyms: neither UID nor date is left, days are counted from the
// patient's first film, and the form of a UID is kept (PS3.5 §9.1: at most 64
// characters of digits and dots).
func TestPseudonyms(t *testing.T) {
	dir := t.TempDir()
	films := writeFilms(t, dir, "ok 1", "ok 2", "ok 3", "ok 4")
	films[0].Beside = job.Beside{Patient: "p", Date: "20240311"}
	films[1].Beside = job.Beside{Patient: "p", Date: "20240229"}
	films[2].Beside = job.Beside{Patient: "q", Date: "20200101"}
	films[3].Beside = job.Beside{Date: "20200101"} // whose is not known
	c, _ := testConfig(dir)
	c.Pseudonymise, c.Film.PatientKey = true, []byte("sixteen bytes or more")
	sink := newMemorySink()
	if _, err := Run(t.Context(), c, films, sink); err != nil {
		t.Fatal(err)
	}
	want := []float64{11, 0, 0, -1} // 29 February to 11 March of a leap year
	for i, a := range sink.put {
		r := a.Femurs[0].Record
		if r.StudyDate != "" {
			t.Errorf("film %d: date %s", i, r.StudyDate)
		}
		if v, ok := r.Values[measure.StudyDay]; ok != (want[i] >= 0) || ok && v.X != want[i] {
			t.Errorf("film %d: day %v %v, want %v", i, v.X, ok, want[i])
		}
		if u := r.StudyUID; len(u) > 64 || !strings.HasPrefix(u, "2.25.") || strings.Trim(u, "0123456789.") != "" || u != sink.put[0].Femurs[0].Record.StudyUID {
			t.Errorf("film %d: UID %q", i, u)
		}
	}
}

// front runs a batch over the films of a folder; it is what TestKill kills.
func front(dir string) {
	paths, err := filepath.Glob(filepath.Join(dir, "*.film"))
	if err == nil {
		slices.Sort(paths)
		var films []source.File
		for _, p := range paths {
			films = append(films, source.File{Path: p, Source: filepath.Base(p)})
		}
		c, _ := testConfig(dir)
		sink := newMemorySink()
		if _, err = Run(context.Background(), c, films, sink); err == nil {
			var b []byte
			if b, err = json.MarshalIndent(sink.put, "", " "); err == nil {
				err = os.WriteFile(filepath.Join(dir, "rows.json"), b, 0o644)
			}
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// TestKill kills a run with SIGKILL again and again, lets the last one end, and
// compares its rows with those of a run left alone. What the ledger held at a
// kill is not measured again.
func TestKill(t *testing.T) {
	words := mixedWords(40)
	whole := t.TempDir()
	writeFilms(t, whole, words...)
	run := func(dir string, after time.Duration) bool {
		t.Helper()
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), playFront+"="+dir)
		var said bytes.Buffer
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if after > 0 {
			time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
		if err := cmd.Wait(); err != nil && after == 0 {
			t.Fatalf("%v: %s", err, said.String())
		}
		return cmd.ProcessState.Success()
	}
	run(whole, 0)
	want, err := os.ReadFile(filepath.Join(whole, "rows.json"))
	if err != nil {
		t.Fatal(err)
	}

	dir := t.TempDir()
	writeFilms(t, dir, words...)
	log := filepath.Join(dir, "measured.log")
	done := make(map[string]int) // times measured when the ledger first held it
	kills := 0
	for after := 150 * time.Millisecond; kills < 6; after += 70 * time.Millisecond {
		if run(dir, after) {
			break
		}
		kills++
		time.Sleep(50 * time.Millisecond) // for the workers to be gone
		counts := readLog(t, log)
		for source := range written(t, dir) {
			if _, seen := done[source]; !seen {
				done[source] = counts[source]
			}
		}
	}
	if kills < 2 {
		t.Fatalf("only %d kills met a running batch", kills)
	}
	run(dir, 0)
	got, err := os.ReadFile(filepath.Join(dir, "rows.json"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("rows after kills differ from those of a run left alone")
	}
	counts := readLog(t, log)
	for source, n := range done {
		if counts[source] != n {
			t.Errorf("%s was in the ledger after %d measurements and was measured again", source, n)
		}
	}
	t.Logf("%d kills, %d films kept before the last run", kills, len(done))
}

// written returns the sources that the ledger in dir holds.
func written(t *testing.T, dir string) map[string]bool {
	t.Helper()
	l, err := openLedger(filepath.Join(dir, "ledger.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	rows, err := l.db.Query("SELECT source FROM written")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	sources := make(map[string]bool)
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		sources[s] = true
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return sources
}
