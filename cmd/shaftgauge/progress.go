package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"shaftgauge/measure"
	"shaftgauge/pipeline"
)

const (
	redrawEvery = 200 * time.Millisecond // on a terminal
	lineEvery   = 10 * time.Second       // elsewhere
)

// meter shows the progress of a run: a bar on a terminal, a line now and then
// elsewhere. The run's side only leaves the latest counts.
type meter struct {
	mu      sync.Mutex
	latest  pipeline.Progress
	stop    chan struct{}
	stopped chan struct{}
}

// newMeter starts a meter on w. Close it.
func newMeter(w io.Writer, films int) *meter {
	m := &meter{latest: pipeline.Progress{Total: films}, stop: make(chan struct{}), stopped: make(chan struct{})}
	if onTerminal(w) {
		go m.bar(w)
	} else {
		go m.lines(w)
	}
	return m
}

func (m *meter) update(p pipeline.Progress) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.latest = p
}

func (m *meter) progress() pipeline.Progress {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.latest
}

// close shows the last state and ends the meter.
func (m *meter) close() {
	close(m.stop)
	<-m.stopped
}

// counts says how many rows have which status.
func counts(p pipeline.Progress) string {
	return fmt.Sprintf("%d measured, %d partial, %d not measured",
		p.ByStatus[string(measure.StatusMeasured)], p.ByStatus[string(measure.StatusPartial)], p.ByStatus[string(measure.StatusNotMeasured)])
}

func (m *meter) bar(w io.Writer) {
	defer close(m.stopped)
	bar := newBar(w, m.progress().Total)
	m.every(redrawEvery, func(last bool) {
		p := m.progress()
		bar.Describe(counts(p))
		bar.Set(p.Done) // fails only past the total
		if last {
			fmt.Fprintln(w)
		}
	})
}

func (m *meter) lines(w io.Writer) {
	defer close(m.stopped)
	start := time.Now()
	m.every(lineEvery, func(last bool) {
		p := m.progress()
		elapsed := time.Since(start)
		line := fmt.Sprintf("%d of %d films", p.Done, p.Total)
		if n := p.Done - p.Reused; n > 0 {
			rate := float64(n) / elapsed.Seconds()
			line += fmt.Sprintf(", %.1f films/s", rate)
			if !last {
				left := time.Duration(float64(p.Total-p.Done) / rate * float64(time.Second))
				line += fmt.Sprintf(", %v left", left.Round(time.Second))
			}
		}
		fmt.Fprintf(w, "%s: %s\n", line, counts(p))
	})
}

// every calls show at each tick and once at the end.
func (m *meter) every(d time.Duration, show func(last bool)) {
	t := time.NewTicker(d)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			show(false)
		case <-m.stop:
			show(true)
			return
		}
	}
}

// countFilms shows how many films of n are done: a bar on a terminal, one line
// at the end elsewhere.
func countFilms(w io.Writer, what string, n int) (done, end func()) {
	if onTerminal(w) {
		bar := newBar(w, n)
		bar.Describe(what)
		return func() { bar.Add(1) }, func() { fmt.Fprintln(w) }
	}
	var count atomic.Int64
	start := time.Now()
	return func() { count.Add(1) }, func() {
		fmt.Fprintf(w, "%s: %d of %d films in %v\n", what, count.Load(), n, time.Since(start).Round(time.Second/10))
	}
}

func onTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

func newBar(w io.Writer, films int) *progressbar.ProgressBar {
	return progressbar.NewOptions(films,
		progressbar.OptionSetWriter(w),
		progressbar.OptionSetWidth(24),
		progressbar.OptionShowCount(),
		progressbar.OptionShowIts(),
		progressbar.OptionSetItsString("films"),
		progressbar.OptionSetPredictTime(true),
		progressbar.OptionSetElapsedTime(true),
	)
}
