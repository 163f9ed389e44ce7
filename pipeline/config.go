package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"shaftgauge/pipeline/job"
)

// Config says how a batch is run.
type Config struct {
	Film        job.Settings  // what changes a film's row
	Workers     int           // worker processes, ≥ 1; one a CPU core is right
	TimeLimit   time.Duration // a film's, > 0
	MemoryLimit int64         // a worker's resident bytes, ≥ MinMemory
	MaxBytes    int64         // a film file with more is refused unread, > 0
	Retry       bool          // measure films again that an earlier run gave up: crashed, too slow, too large

	// Pseudonymise hashes the UIDs with Film.PatientKey and replaces study
	// dates by days from the patient's first film of the run.
	Pseudonymise bool

	Ledger string           // path of the SQLite ledger; its folder must exist
	Worker func() *exec.Cmd // makes a worker's command; FilmWorker is the real one

	// Progress is told of every film that is done; nil: nobody is. It is called
	// from one goroutine at a time and must not block.
	Progress func(Progress)

	// Stop, once closed, ends the run after the films in flight: Run returns
	// ErrInterrupted, with the ledger kept. Nil: never. Cancelling Run's context
	// ends it at once.
	Stop <-chan struct{}
}

// MinMemory is the least memory limit: a worker takes 90 MB before its first film.
const MinMemory = 256 << 20

// ErrInterrupted reports a run that was stopped before its end and can go on.
var ErrInterrupted = errors.New("pipeline: interrupted")

// Validate reports the first field that is out of range.
func (c Config) Validate() error {
	switch {
	case c.Workers < 1:
		return fmt.Errorf("pipeline: workers = %d, need 1 or more", c.Workers)
	case c.TimeLimit <= 0:
		return fmt.Errorf("pipeline: time limit = %v, need more than 0", c.TimeLimit)
	case c.MemoryLimit < MinMemory:
		return fmt.Errorf("pipeline: memory limit = %d bytes, need %d or more", c.MemoryLimit, MinMemory)
	case c.MaxBytes < 1:
		return fmt.Errorf("pipeline: largest file = %d bytes, need 1 or more", c.MaxBytes)
	case c.Pseudonymise && len(c.Film.PatientKey) == 0:
		return errors.New("pipeline: pseudonyms need a key")
	case c.Worker == nil:
		return errors.New("pipeline: no worker command")
	}
	return nil
}

// limits names the limits under which a film was given up.
func (c Config) limits() string { return fmt.Sprintf("%v %d", c.TimeLimit, c.MemoryLimit) }

// FilmWorker returns what makes the command of cmd/filmworker, which lies
// beside the running executable.
func FilmWorker() (func() *exec.Cmd, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("pipeline: %w", err)
	}
	if self, err = filepath.EvalSymlinks(self); err != nil {
		return nil, fmt.Errorf("pipeline: %w", err)
	}
	path := filepath.Join(filepath.Dir(self), "filmworker")
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("pipeline: filmworker must lie beside shaftgauge: %w", err)
	}
	return func() *exec.Cmd { return exec.Command(path) }, nil
}

// Progress counts the films of a run.
type Progress struct {
	Done, Total int
	Reused      int            // of Done, found in the ledger
	ByStatus    map[string]int // rows; the map is the callee's to keep
}

// Sink takes what a batch gives.
type Sink interface {
	// Begin is called once, before all others, when no other run can be writing
	// to the same output.
	Begin() error

	// Film writes the files of one film, with its pictures. They must be on
	// disk when it returns. Called from several goroutines.
	Film(ctx context.Context, a job.Answer) error

	// Restore makes the files of a film that was measured before be there: the
	// pictures of a have no pixels, but those of the film named first lie in
	// the output, if first is not empty (it may be a's own source). It reports
	// false when the film must be measured again to have its pictures. Called
	// from several goroutines.
	Restore(ctx context.Context, a job.Answer, first string) (bool, error)

	// Put takes the answers in the order of the films, from one goroutine,
	// after every film is done.
	Put(ctx context.Context, a job.Answer) error
}
