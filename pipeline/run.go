package pipeline

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"sync"

	"golang.org/x/sync/errgroup"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/source"
)

// Summary says what a run came to.
type Summary struct {
	Films    []FilmSummary  // in the order of the films
	Measured int            // films measured in this run
	Reused   int            // films found in the ledger
	ByStatus map[string]int // rows
}

// FilmSummary is what a run says of one film besides its rows.
type FilmSummary struct {
	Source string `json:"source"`
	SHA256 string `json:"sha256,omitempty"` // of the content; empty when it could not be read
	Status string `json:"status"`           // of its best row
	Detail string `json:"detail,omitempty"` // why it could not be measured, for people
}

// task is a film on its way to a worker. Others of the same key wait for it.
type task struct {
	index int
	key   string
	job   job.Job
}

type result struct {
	task
	answer job.Answer
}

// batch is one run's state.
type batch struct {
	Config
	sink   Sink
	ledger *ledger
	films  []source.File

	keys    []string // ledger key of each film, empty for those that never reached a worker
	digests []string
	refused []job.Answer // of films without a key
	reused  []bool

	mu       sync.Mutex
	waiting  map[string][]int // by key in flight: films that share its answer
	progress Progress
}

// Run measures films and gives sink the answers in their order. Films that the
// ledger holds already are not measured again.
//
// It returns ErrInterrupted, wrapped, when it was stopped: everything measured
// so far is in the ledger, and the Sink has had no Put. Other errors are the
// run's (no worker, no room on the disk, a sink that fails), never a film's.
func Run(ctx context.Context, c Config, films []source.File, sink Sink) (Summary, error) {
	if err := c.Validate(); err != nil {
		return Summary{}, err
	}
	l, err := openLedger(c.Ledger)
	if err != nil {
		return Summary{}, err
	}
	defer l.close()
	if err := sink.Begin(); err != nil {
		return Summary{}, fmt.Errorf("pipeline: output: %w", err)
	}
	b := &batch{Config: c, sink: sink, ledger: l, films: films,
		keys: make([]string, len(films)), digests: make([]string, len(films)),
		refused: make([]job.Answer, len(films)), reused: make([]bool, len(films)),
		waiting:  make(map[string][]int),
		progress: Progress{Total: len(films), ByStatus: make(map[string]int)},
	}
	if err := b.measureAll(ctx); err != nil {
		return b.summary(), err
	}
	if b.stopped() && b.progress.Done < len(films) {
		return b.summary(), ErrInterrupted
	}
	return b.give(ctx)
}

func (b *batch) stopped() bool {
	select {
	case <-b.Stop:
		return true
	default:
		return false
	}
}

// measureAll runs the first three stages of every film, or of those begun
// before Stop.
func (b *batch) measureAll(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	indices := make(chan int)
	tasks := make(chan task)
	results := make(chan result)

	g.Go(func() error {
		defer close(indices)
		for i := range b.films {
			if b.stopped() {
				return nil
			}
			select {
			case indices <- i:
			case <-b.Stop:
				return nil
			case <-ctx.Done():
				return interrupted(ctx)
			}
		}
		return nil
	})
	stage(g, b.Workers, func() { close(tasks) }, func() error { return b.look(ctx, indices, tasks) })
	stage(g, b.Workers, func() { close(results) }, func() error {
		s := &slot{config: b.Config}
		return s.run(ctx, tasks, results)
	})
	stage(g, b.Workers, func() {}, func() error { return b.finish(ctx, results) })
	return g.Wait()
}

// stage starts n goroutines of do and calls after when all have returned.
func stage(g *errgroup.Group, n int, after func(), do func() error) {
	var wg sync.WaitGroup
	wg.Add(n)
	for range n {
		g.Go(func() error {
			defer wg.Done()
			return do()
		})
	}
	go func() { wg.Wait(); after() }()
}

func interrupted(ctx context.Context) error { return errors.Join(ErrInterrupted, ctx.Err()) }

// look is the first stage: it hashes films and sends on those that must be
// measured.
func (b *batch) look(ctx context.Context, indices <-chan int, tasks chan<- task) error {
	for i := range indices {
		f := b.films[i]
		if f.Refused != "" {
			if err := b.refuse(ctx, i, &failure{f.Refused, f.Detail}); err != nil {
				return err
			}
			continue
		}
		sum, failed := digest(f, b.MaxBytes)
		if failed != nil {
			if err := b.refuse(ctx, i, failed); err != nil {
				return err
			}
			continue
		}
		key, err := filmKey(sum, b.Film, f.Beside)
		if err != nil {
			return err
		}
		b.keys[i], b.digests[i] = key, hex.EncodeToString(sum[:])
		if !b.claim(key, i) {
			continue // the film in flight takes this one along
		}
		done, err := b.restore(ctx, i)
		if err != nil {
			return err
		}
		if done {
			if err := b.settle(ctx, key, b.restoreOther); err != nil {
				return err
			}
			continue
		}
		t := task{index: i, key: key, job: job.Job{Path: f.Path, Member: f.Member, Source: f.Source, Beside: f.Beside, Config: b.Film}}
		select {
		case tasks <- t:
		case <-b.Stop:
			return nil
		case <-ctx.Done():
			return interrupted(ctx)
		}
	}
	return nil
}

// refuse answers for a film that no worker sees. What an earlier run left of it is
// of a film that could be read.
func (b *batch) refuse(ctx context.Context, i int, why *failure) error {
	b.refused[i] = job.NotMeasured(b.films[i].Source, why.reason)
	b.refused[i].Crash = why.detail
	if err := b.write(ctx, b.refused[i]); err != nil {
		return err
	}
	b.tell(b.refused[i], false)
	return nil
}

// claim makes film i the one in flight for its key, or has it wait for that one.
func (b *batch) claim(key string, i int) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if others, inFlight := b.waiting[key]; inFlight {
		b.waiting[key] = append(others, i)
		return false
	}
	b.waiting[key] = nil
	return true
}

// settle has every film that waits for key taken along, then frees the key.
func (b *batch) settle(ctx context.Context, key string, along func(ctx context.Context, i int) error) error {
	for {
		b.mu.Lock()
		others := b.waiting[key]
		if len(others) == 0 {
			delete(b.waiting, key)
			b.mu.Unlock()
			return nil
		}
		b.waiting[key] = nil
		b.mu.Unlock()
		for _, i := range others {
			if err := along(ctx, i); err != nil {
				return err
			}
		}
	}
}

// restore answers for film i from the ledger, where that can be: with its own files,
// or else those of any film of the same key.
func (b *batch) restore(ctx context.Context, i int) (bool, error) {
	e, ok, err := b.ledger.get(ctx, b.keys[i])
	if err != nil || !ok {
		return false, err
	}
	if e.limits != "" && (b.Retry || e.limits != b.limits()) {
		return false, nil
	}
	if b.Film.Picture > 0 && e.picture != b.Film.Picture {
		return false, nil
	}
	a := e.answer.WithSource(b.films[i].Source)
	sources, err := b.ledger.sources(ctx, b.keys[i], a.Source)
	if err != nil {
		return false, err
	}
	if len(sources) == 0 {
		sources = []string{""} // an answer without pictures needs no files
	}
	for _, first := range sources {
		ok, err := b.restoreFrom(ctx, i, a, first)
		if err != nil {
			return false, err
		}
		if ok {
			b.reused[i] = true
			b.tell(a, true)
			return true, nil
		}
	}
	return false, nil
}

// restoreFrom has the files of a, film i's answer, made from those of first, which may be a's own.
func (b *batch) restoreFrom(ctx context.Context, i int, a job.Answer, first string) (bool, error) {
	if first == a.Source {
		return b.sink.Restore(ctx, a, first)
	}
	if err := b.ledger.begin(ctx, a.Source); err != nil {
		return false, err
	}
	ok, err := b.sink.Restore(ctx, a, first)
	if err != nil || !ok {
		return false, err
	}
	return true, b.ledger.wrote(ctx, a.Source, b.keys[i])
}

// restoreOther is restore for a film whose like was just restored.
func (b *batch) restoreOther(ctx context.Context, i int) error {
	ok, err := b.restore(ctx, i)
	if err == nil && !ok {
		err = fmt.Errorf("pipeline: %s: files of the same film vanished during the run", b.films[i].Source)
	}
	return err
}

// finish is the third stage: files first, then the ledger, then whoever waits.
func (b *batch) finish(ctx context.Context, results <-chan result) error {
	for r := range results {
		if err := b.write(ctx, r.answer); err != nil {
			return err
		}
		e := entry{answer: r.answer, picture: b.Film.Picture}
		if givenUp(r.answer) {
			e.limits = b.limits()
		}
		if err := b.ledger.put(ctx, r.key, e); err != nil {
			return err
		}
		b.tell(r.answer, false)
		err := b.settle(ctx, r.key, func(ctx context.Context, i int) error {
			a := r.answer.WithSource(b.films[i].Source)
			if err := b.write(ctx, a); err != nil {
				return err
			}
			if err := b.ledger.wrote(ctx, a.Source, r.key); err != nil {
				return err
			}
			b.reused[i] = true
			b.tell(a, true)
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (b *batch) write(ctx context.Context, a job.Answer) error {
	if err := b.ledger.begin(ctx, a.Source); err != nil {
		return err
	}
	if err := b.sink.Film(ctx, a); err != nil {
		return fmt.Errorf("pipeline: %s: %w", a.Source, err)
	}
	return nil
}

// tell counts a film that is done.
func (b *batch) tell(a job.Answer, reused bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.progress.Done++
	if reused {
		b.progress.Reused++
	}
	for _, f := range a.Femurs {
		b.progress.ByStatus[string(f.Record.Status)]++
	}
	if b.Progress != nil {
		p := b.progress
		p.ByStatus = maps.Clone(p.ByStatus)
		b.Progress(p)
	}
}

func (b *batch) summary() Summary {
	return Summary{Measured: b.progress.Done - b.progress.Reused, Reused: b.progress.Reused, ByStatus: b.progress.ByStatus}
}

// answer returns film i's answer, from the ledger or its refusal.
func (b *batch) answer(ctx context.Context, i int) (job.Answer, error) {
	if b.keys[i] == "" {
		return b.refused[i], nil
	}
	e, ok, err := b.ledger.get(ctx, b.keys[i])
	if err == nil && !ok {
		err = fmt.Errorf("pipeline: ledger: film %s is missing", b.films[i].Source)
	}
	if err != nil {
		return job.Answer{}, err
	}
	e.answer.Pictures = nil
	return e.answer.WithSource(b.films[i].Source), nil
}

// give is the last stage: every answer in order.
func (b *batch) give(ctx context.Context) (Summary, error) {
	s := Summary{Reused: b.progress.Reused, ByStatus: make(map[string]int)}
	var p *pseudonyms
	if b.Pseudonymise {
		p = newPseudonyms(b.Film.PatientKey)
		for i := range b.films {
			a, err := b.answer(ctx, i)
			if err != nil {
				return s, err
			}
			p.see(a)
		}
	}
	for i, f := range b.films {
		if ctx.Err() != nil {
			return s, interrupted(ctx)
		}
		a, err := b.answer(ctx, i)
		if err != nil {
			return s, err
		}
		if p != nil {
			p.apply(&a)
		}
		for _, femur := range a.Femurs {
			s.ByStatus[string(femur.Record.Status)]++
		}
		if b.keys[i] != "" && !b.reused[i] {
			s.Measured++
		}
		s.Films = append(s.Films, FilmSummary{Source: f.Source, SHA256: b.digests[i], Status: best(a), Detail: a.Crash})
		if err := b.sink.Put(ctx, a); err != nil {
			return s, fmt.Errorf("pipeline: %s: %w", f.Source, err)
		}
	}
	return s, nil
}

// best returns the status of the film's best row.
func best(a job.Answer) string {
	out := measure.StatusNotMeasured
	for _, f := range a.Femurs {
		switch s := f.Record.Status; {
		case s == measure.StatusMeasured, s == measure.StatusPartial && out == measure.StatusNotMeasured:
			out = s
		}
	}
	return string(out)
}
