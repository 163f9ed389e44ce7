package pipeline

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

const (
	startLimit     = time.Minute           // a worker must say hello within this
	pollEvery      = 20 * time.Millisecond // how often a worker's memory is looked at
	maxAnswerBytes = 256 << 20             // a longer answer is a worker gone wrong
	dataSlack      = 256 << 20             // writable memory that a worker maps but does not fill: thread stacks, Go's arenas
)

// worker is a running film worker process.
type worker struct {
	cmd     *exec.Cmd
	jobs    io.WriteCloser
	lines   chan []byte   // what it answers; closed when it ends
	gone    chan struct{} // closed when stop no longer wants lines
	noise   *tail
	films   int // measured so far
	limit   int64
	timeout time.Duration
}

// failure is a film that its worker did not answer.
type failure struct {
	reason measure.Reason
	detail string
}

// startWorker starts a worker and waits for its hello. The calling goroutine
// must keep its thread locked as long as the worker is to live, since the
// kernel ends the worker with the thread that started it.
func startWorker(ctx context.Context, c Config) (*worker, error) {
	cmd := c.Worker()
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("pipeline: worker: %w", err)
	}
	out, answers, err := os.Pipe()
	if err != nil {
		return nil, fmt.Errorf("pipeline: worker: %w", err)
	}
	w := &worker{cmd: cmd, jobs: in, noise: &tail{}, limit: c.MemoryLimit, timeout: c.TimeLimit,
		lines: make(chan []byte), gone: make(chan struct{})}
	cmd.Stderr = w.noise
	cmd.ExtraFiles = []*os.File{answers} // the first is descriptor 3, job.AnswerFD
	cmd.WaitDelay = 2 * time.Second
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Setpgid:   true,            // a terminal's Ctrl-C is for the front alone
		Pdeathsig: syscall.SIGKILL, // no worker outlives a killed run
	}
	cmd.Env = append(cmd.Environ(),
		"GOMAXPROCS=1", "OMP_NUM_THREADS=1", // one core a worker
		fmt.Sprintf("GOMEMLIMIT=%d", c.MemoryLimit/4*3))
	err = cmd.Start()
	answers.Close()
	if err != nil {
		out.Close()
		return nil, fmt.Errorf("pipeline: worker: %w", err)
	}
	go w.read(out)
	if err := w.hello(ctx); err != nil {
		w.stop()
		return nil, err
	}
	return w, nil
}

func (w *worker) hello(ctx context.Context) error {
	for resource, n := range map[int]uint64{unix.RLIMIT_DATA: uint64(w.limit) + dataSlack, unix.RLIMIT_CORE: 0} {
		if err := unix.Prlimit(w.cmd.Process.Pid, resource, &unix.Rlimit{Cur: n, Max: n}, nil); err != nil {
			return fmt.Errorf("pipeline: worker: limit: %w", err)
		}
	}
	timer := time.NewTimer(startLimit)
	defer timer.Stop()
	select {
	case line, ok := <-w.lines:
		var h job.Hello
		if !ok || json.Unmarshal(line, &h) != nil {
			return fmt.Errorf("pipeline: worker did not start: %s", w.noise)
		}
		if h.Algorithm != job.Algorithm {
			return fmt.Errorf("pipeline: worker measures by %q, this program by %q: install them together", h.Algorithm, job.Algorithm)
		}
		return nil
	case <-timer.C:
		return fmt.Errorf("pipeline: worker did not start within %v: %s", startLimit, w.noise)
	case <-ctx.Done():
		return fmt.Errorf("pipeline: worker: %w", ctx.Err())
	}
}

// read hands on what the worker answers, line by line.
func (w *worker) read(out io.ReadCloser) {
	defer close(w.lines)
	defer out.Close()
	s := bufio.NewScanner(out)
	s.Buffer(nil, maxAnswerBytes)
	for s.Scan() {
		select {
		case w.lines <- bytes.Clone(s.Bytes()):
		case <-w.gone:
			return
		}
	}
}

// do measures one film. After a failure, or an error of the context, the
// worker is of no more use and must be stopped.
func (w *worker) do(ctx context.Context, j job.Job) (job.Answer, *failure, error) {
	line, err := json.Marshal(j)
	if err != nil {
		return job.Answer{}, nil, fmt.Errorf("pipeline: job: %w", err)
	}
	if _, err := w.jobs.Write(append(line, '\n')); err != nil {
		return job.Answer{}, w.died(), nil
	}
	timer := time.NewTimer(w.timeout)
	defer timer.Stop()
	poll := time.NewTicker(pollEvery)
	defer poll.Stop()
	for {
		select {
		case line, ok := <-w.lines:
			if !ok {
				return job.Answer{}, w.died(), nil
			}
			a, err := job.ReadAnswer(line)
			if err != nil || a.Source != j.Source || len(a.Femurs) == 0 && j.Inspection == nil {
				return job.Answer{}, &failure{measure.WorkerCrashed, "the worker's answer makes no sense"}, nil
			}
			w.films++
			return a, nil, nil
		case <-poll.C:
			if n := residentBytes(w.cmd.Process.Pid); n > w.limit {
				return job.Answer{}, &failure{measure.MemoryLimit, fmt.Sprintf("%d MB in use", n>>20)}, nil
			}
		case <-timer.C:
			return job.Answer{}, &failure{measure.TimeLimit, fmt.Sprintf("no answer within %v", w.timeout)}, nil
		case <-ctx.Done():
			return job.Answer{}, nil, fmt.Errorf("pipeline: %w", ctx.Err())
		}
	}
}

// outOfMemory are the last words of programs that the kernel refuses memory:
// of the Go runtime, of C++, of OpenCV, of the C library.
var outOfMemory = []string{"out of memory", "cannot allocate memory", "bad_alloc", "Insufficient memory", "Cannot allocate memory", "failed to allocate"}

// died waits for the end of a worker that closed its answers and says why.
func (w *worker) died() *failure {
	state := w.stop()
	said := w.noise.String()
	for _, words := range outOfMemory {
		if strings.Contains(said, words) {
			return &failure{measure.MemoryLimit, words}
		}
	}
	return &failure{measure.WorkerCrashed, strings.TrimSuffix(fmt.Sprintf("%v: %s", state, lastWords(said)), ": ")}
}

// crashWords begin the lines in which a program says why it ends: the Go
// runtime's, the C++ runtime's, the C library's.
var crashWords = []string{"fatal error: ", "panic: runtime error: ", "terminate called", "SIG",
	"double free", "free(): ", "malloc(): ", "munmap_chunk(): ", "corrupted ", "*** stack smashing"}

// lastWords returns the first such line of what a worker said. Other lines may
// quote a film's header and must not get into the output.
func lastWords(said string) string {
	for line := range strings.Lines(said) {
		for _, words := range crashWords {
			if strings.HasPrefix(line, words) {
				return strings.TrimSpace(line)
			}
		}
	}
	return ""
}

// stop ends the worker, gently when it is idle, and returns how it ended. It
// may be called more than once.
func (w *worker) stop() *os.ProcessState {
	if w.cmd.ProcessState != nil {
		return w.cmd.ProcessState
	}
	close(w.gone)
	w.jobs.Close()
	select {
	case <-w.drained():
	case <-time.After(100 * time.Millisecond):
	}
	err := syscall.Kill(-w.cmd.Process.Pid, syscall.SIGKILL)
	_ = err // already gone is what is wanted
	w.cmd.Wait()
	return w.cmd.ProcessState
}

// drained is closed when the worker has closed its answers, as at its end.
func (w *worker) drained() <-chan struct{} {
	done := make(chan struct{})
	go func() {
		for range w.lines {
		}
		close(done)
	}()
	return done
}

// residentBytes returns the resident set size of a process, 0 when it is gone.
//
// Source: proc(5), /proc/pid/statm.
func residentBytes(pid int) int64 {
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/statm")
	if err != nil {
		return 0
	}
	fields := bytes.Fields(b)
	if len(fields) < 2 {
		return 0
	}
	pages, err := strconv.ParseInt(string(fields[1]), 10, 64)
	if err != nil {
		return 0
	}
	return pages * int64(os.Getpagesize())
}

// tail keeps the end of what is written to it: a worker's standard error, which
// C libraries may fill without end.
type tail struct {
	mu sync.Mutex
	b  []byte
}

const tailBytes = 16 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, p[max(0, len(p)-tailBytes):]...)
	if len(t.b) > 2*tailBytes {
		t.b = append(t.b[:0], t.b[len(t.b)-tailBytes:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.ToValidUTF8(string(t.b), "?")
}

// slot owns one worker at a time and starts another when it is lost.
type slot struct {
	config Config
	w      *worker
}

// measure has a film measured. A film that takes a worker down which had
// measured others before is given a fresh one, so that no film is blamed for
// what an earlier one left behind; one that takes down a fresh worker is given
// up. Errors end the run: no worker can be started, or ctx is done.
func (s *slot) measure(ctx context.Context, j job.Job) (job.Answer, error) {
	for {
		if s.w == nil {
			w, err := startWorker(ctx, s.config)
			if err != nil {
				return job.Answer{}, err
			}
			s.w = w
		}
		fresh := s.w.films == 0
		a, failed, err := s.w.do(ctx, j)
		if err == nil && failed == nil {
			return a, nil
		}
		s.close()
		if err != nil {
			return job.Answer{}, err
		}
		if fresh {
			a := job.NotMeasured(j.Source, failed.reason)
			a.Crash = failed.detail
			return a, nil
		}
	}
}

func (s *slot) close() {
	if s.w != nil {
		s.w.stop()
		s.w = nil
	}
}

// run measures the tasks until there are no more. It keeps its thread, see
// startWorker.
func (s *slot) run(ctx context.Context, tasks <-chan task, done chan<- result) error {
	runtime.LockOSThread()
	defer s.close()
	for t := range tasks {
		a, err := s.measure(ctx, t.job)
		if err != nil {
			return err
		}
		select {
		case done <- result{task: t, answer: a}:
		case <-ctx.Done():
			return errors.Join(ErrInterrupted, ctx.Err())
		}
	}
	return nil
}
