package main

import (
	"sync"
	"time"
)

// settleTime is how long after a decision reviewed.csv is written: a reader who
// works through the list decides every few seconds.
const settleTime = 2 * time.Second

// settled does something once some time after the first of several changes, and
// a last time at its end.
type settled struct {
	do   func() error
	wait time.Duration

	tell chan struct{}
	quit chan struct{}
	done chan struct{}
	once sync.Once
	err  error // of the last time
}

func newSettled(wait time.Duration, do func() error) *settled {
	s := &settled{do: do, wait: wait, tell: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{})}
	go s.run()
	return s
}

func (s *settled) run() {
	defer close(s.done)
	for {
		select {
		case <-s.tell:
		case <-s.quit:
			s.err = s.do()
			return
		}
		select {
		case <-time.After(s.wait):
		case <-s.quit:
			s.err = s.do()
			return
		}
		select { // changes meanwhile are taken along
		case <-s.tell:
		default:
		}
		s.err = s.do()
	}
}

// changed has it done soon. It does not block.
func (s *settled) changed() {
	select {
	case s.tell <- struct{}{}:
	default: // it is going to be
	}
}

// close does it a last time and returns what went wrong then.
func (s *settled) close() error {
	s.once.Do(func() { close(s.quit) })
	<-s.done
	return s.err
}
