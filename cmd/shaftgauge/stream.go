package main

import (
	"errors"
	"fmt"
	"io"

	"shaftgauge/export"
)

// stream is a file that is written bit by bit and appears whole, or not at all.
type stream struct {
	path string
	w    *io.PipeWriter
	done chan error
}

func newStream(path string) *stream {
	r, w := io.Pipe()
	s := &stream{path: path, w: w, done: make(chan error, 1)}
	go func() {
		err := export.WriteFileAtomic(path, func(to io.Writer) error {
			_, err := io.Copy(to, r)
			return err
		})
		r.CloseWithError(fmt.Errorf("%s: %w", path, errors.Join(err, io.ErrClosedPipe))) // a writer must not wait for ever
		s.done <- err
	}()
	return s
}

func (s *stream) Write(p []byte) (int, error) { return s.w.Write(p) }

func (s *stream) commit() error {
	s.w.Close()
	err := <-s.done
	s.done <- err // for abort
	return err
}

func (s *stream) abort() {
	s.w.CloseWithError(errors.New("not finished"))
	s.done <- <-s.done
}
