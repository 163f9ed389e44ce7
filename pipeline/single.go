package pipeline

import (
	"context"
	"errors"
	"fmt"
	"runtime"

	"shaftgauge/pipeline/job"
)

// Single has films measured by one worker process, one after the other, in the
// order they are asked for. The process starts with the first film, under the
// limits of a batch, and again after a film that takes it down.
type Single struct {
	asked chan question
	end   context.CancelFunc
	done  chan struct{}
}

type question struct {
	ctx    context.Context
	job    job.Job
	answer chan<- reply // has room for one
}

type reply struct {
	answer job.Answer
	err    error
}

// ErrClosed reports a Single that was closed.
var ErrClosed = errors.New("pipeline: the worker was closed")

// NewSingle returns a Single that starts its worker as c says. Of c it uses
// Worker and the limits. Close it.
func NewSingle(c Config) *Single {
	ctx, end := context.WithCancel(context.Background())
	s := &Single{asked: make(chan question), end: end, done: make(chan struct{})}
	go s.run(ctx, c)
	return s
}

// run owns the worker. It keeps its thread, see startWorker.
func (s *Single) run(ctx context.Context, c Config) {
	defer close(s.done)
	runtime.LockOSThread()
	at := &slot{config: c}
	defer at.close()
	for {
		select {
		case q := <-s.asked:
			if q.ctx.Err() != nil {
				continue // nobody waits for it any more
			}
			a, err := at.measure(ctx, q.job)
			q.answer <- reply{a, err}
		case <-ctx.Done():
			return
		}
	}
}

// Measure has one film measured. Once it has begun, ctx does not stop it: the
// worker is kept for the next one.
func (s *Single) Measure(ctx context.Context, j job.Job) (job.Answer, error) {
	answer := make(chan reply, 1)
	select {
	case s.asked <- question{ctx, j, answer}:
	case <-s.done:
		return job.Answer{}, ErrClosed
	case <-ctx.Done():
		return job.Answer{}, fmt.Errorf("pipeline: %w", ctx.Err())
	}
	select {
	case r := <-answer:
		return r.answer, r.err
	case <-s.done:
		return job.Answer{}, ErrClosed
	case <-ctx.Done():
		return job.Answer{}, fmt.Errorf("pipeline: %w", ctx.Err())
	}
}

// Close ends the worker.
func (s *Single) Close() {
	s.end()
	<-s.done
}
