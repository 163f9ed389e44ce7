package pipeline

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// The test binary plays two other programs: a film worker that misbehaves as
// its film tells it, and a front that can be killed.
const (
	playWorker = "SHAFTGAUGE_TEST_WORKER" // file that every measured film is logged to
	playFront  = "SHAFTGAUGE_TEST_FRONT"  // folder of films
)

func TestMain(m *testing.M) {
	switch {
	case os.Getenv(playWorker) != "":
		if err := job.Serve(os.Stdin, os.NewFile(job.AnswerFD, "answers"), misbehave); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	case os.Getenv(playFront) != "":
		front(os.Getenv(playFront))
	default:
		os.Exit(m.Run())
	}
}

// poisoned makes the next film of this worker crash it.
var poisoned bool

// misbehave answers with a row made of the film's words, or does what they say.
func misbehave(_ context.Context, j job.Job) job.Answer {
	b, err := os.ReadFile(j.Path)
	if err != nil {
		return job.NotMeasured(j.Source, measure.UnreadableFile)
	}
	logFilm(j.Source)
	if poisoned {
		os.Exit(7)
	}
	words := string(b)
	switch first, _, _ := strings.Cut(words, " "); first {
	case "exit":
		os.Exit(7)
	case "abort":
		syscall.Kill(os.Getpid(), syscall.SIGABRT) // as a C++ exception that nobody catches
		time.Sleep(time.Hour)
	case "poison":
		poisoned = true
	case "hang":
		time.Sleep(time.Hour)
	case "spin":
		for {
			runtime.Gosched()
		}
	case "grow": // page by page, past any limit
		var kept [][]byte
		for {
			p := make([]byte, 16<<20)
			for i := 0; i < len(p); i += 4096 {
				p[i] = 1
			}
			kept = append(kept, p)
			time.Sleep(2 * time.Millisecond)
			if len(kept) > 1000 {
				os.Exit(9) // nobody stopped us
			}
		}
	case "forged": // a length that a file claims
		p := make([]byte, 64<<30)
		p[len(p)-1] = 1
		os.Exit(9)
	case "noise": // a C library that complains
		line := strings.Repeat("warning: something\n", 1000)
		for range 200 {
			fmt.Fprint(os.Stdout, line)
			fmt.Fprint(os.Stderr, line)
		}
	case "garbage":
		answers := os.NewFile(job.AnswerFD, "answers")
		fmt.Fprintln(answers, "this is no JSON")
	case "slow":
		time.Sleep(30 * time.Millisecond)
	}
	f := measure.Femur{Record: measure.Record{Source: j.Source, Frame: 1, Status: measure.StatusMeasured, Side: measure.Right}}
	f.Record.Set("bow_radius_mm", float64(len(words))+j.Config.MarkerDiameterMM, 1)
	f.Record.StudyUID, f.Record.StudyDate, f.Record.PatientKey = "1.2.3", j.Beside.Date, j.Beside.Patient
	f.Profile = []measure.ProfileRow{{LevelMM: 1, OuterWidthMM: 30}}
	return job.Answer{Source: j.Source, Femurs: []measure.Femur{f}, Pictures: pictures(j.Config.Picture)}
}

func pictures(side int) []job.Picture {
	if side == 0 {
		return nil
	}
	return []job.Picture{{Frame: 1, Rows: 1, Cols: 1, Scale: 0.1, Grey: []byte{7}}}
}

func logFilm(source string) {
	f, err := os.OpenFile(os.Getenv(playWorker), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err == nil {
		_, err = fmt.Fprintln(f, source)
		f.Close()
	}
	if err != nil {
		panic(err)
	}
}

// testConfig returns a configuration whose workers are this test binary, and
// the log of what they measure.
func testConfig(dir string) (Config, string) {
	log := filepath.Join(dir, "measured.log")
	return Config{
		Film:        job.Settings{MaxPixels: 1 << 20, MaxFrames: 1},
		Workers:     2,
		TimeLimit:   20 * time.Second,
		MemoryLimit: MinMemory,
		MaxBytes:    1 << 20,
		Ledger:      filepath.Join(dir, "ledger.sqlite"),
		Worker: func() *exec.Cmd {
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), playWorker+"="+log)
			return cmd
		},
	}, log
}

// TestMisbehavingFilms runs films that crash, hang, eat memory or shout. Each
// gets a row that says so; the others are measured.
func TestMisbehavingFilms(t *testing.T) {
	type film struct {
		words string
		want  measure.Reason // empty: measured
	}
	films := func(limit time.Duration, tests ...film) {
		t.Helper()
		dir := t.TempDir()
		c, _ := testConfig(dir)
		c.Workers = 1 // so that each meets the worker that the one before left
		c.TimeLimit = limit
		words := make([]string, len(tests))
		for i, tt := range tests {
			words[i] = tt.words
		}
		sink := newMemorySink()
		s, err := Run(t.Context(), c, writeFilms(t, dir, words...), sink)
		if err != nil {
			t.Fatal(err)
		}
		if len(sink.put) != len(tests) {
			t.Fatalf("%d answers for %d films", len(sink.put), len(tests))
		}
		for i, tt := range tests {
			r := sink.put[i].Femurs[0].Record
			switch {
			case tt.want == "" && r.Status != measure.StatusMeasured:
				t.Errorf("%s: %s %v (%s), want measured", tt.words, r.Status, r.Reasons, s.Films[i].Detail)
			case tt.want != "" && (r.Status != measure.StatusNotMeasured || len(r.Reasons) != 1 || r.Reasons[0] != tt.want):
				t.Errorf("%s: %s %v (%s), want %s", tt.words, r.Status, r.Reasons, s.Films[i].Detail, tt.want)
			}
		}
	}
	films(3*time.Second, film{"ok before", ""}, film{"hang", measure.TimeLimit}, film{"spin", measure.TimeLimit}, film{"ok at last", ""})
	films(time.Minute, // however busy the machine is
		film{"ok before", ""},
		film{"exit", measure.WorkerCrashed},
		film{"ok between", ""},
		film{"abort", measure.WorkerCrashed},
		film{"poison", ""},
		film{"ok after poison", ""},
		film{"grow", measure.MemoryLimit},
		film{"forged", measure.MemoryLimit},
		film{"noise", ""},
		film{"garbage", measure.WorkerCrashed},
		film{"ok at last", ""})
}

// TestFreshWorkerBeforeBlame: a film is given up only by a worker that had
// measured nothing before it.
func TestFreshWorkerBeforeBlame(t *testing.T) {
	dir := t.TempDir()
	c, log := testConfig(dir)
	c.Workers = 1
	if _, err := Run(t.Context(), c, writeFilms(t, dir, "ok", "exit"), newMemorySink()); err != nil {
		t.Fatal(err)
	}
	if got := readLog(t, log); got["1.film"] != 2 {
		t.Errorf("the crashing film was tried %d times, want 2: in the used worker and in a fresh one", got["1.film"])
	}
}

// TestNoWorker: a worker that cannot start is the run's error, not a film's.
func TestNoWorker(t *testing.T) {
	for name, path := range map[string]string{"missing": "/nowhere/filmworker", "wrong program": "/bin/true"} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			c, _ := testConfig(dir)
			c.Worker = func() *exec.Cmd { return exec.Command(path) }
			sink := newMemorySink()
			if _, err := Run(t.Context(), c, writeFilms(t, dir, "ok"), sink); err == nil {
				t.Error("no error")
			}
			if len(sink.put) != 0 {
				t.Error("rows without a worker")
			}
		})
	}
}

// TestLastWords: a worker's last words are told, what it quotes is not.
func TestLastWords(t *testing.T) {
	said := "warning: PatientName DOE^JANE\npanic: cannot read \"DOE^JANE\"\nfatal error: all goroutines are asleep\n\ngoroutine 1:\n"
	if got := lastWords(said); got != "fatal error: all goroutines are asleep" {
		t.Errorf("%q", got)
	}
	if got := lastWords("panic: DOE^JANE"); got != "" {
		t.Errorf("%q", got)
	}
}

// A front without its worker says what is missing, and where. The test binary has
// none beside it.
func TestFilmWorkerMissing(t *testing.T) {
	if _, err := FilmWorker(); err == nil || !strings.Contains(err.Error(), "filmworker must lie beside shaftgauge") {
		t.Errorf("%v", err)
	}
}
