package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"

	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// simulation says which films to make.
type simulation struct {
	films int
	seed  uint64
	group string   // empty: all groups in turn
	mix   []string // the groups in turn; nil: each once
	// surfaces are the femurs of the group surface.
	surfaces []*simulate.Mesh
	unseen   bool
	syntax   string
	plain    bool
	quiet    bool

	visits []*simulate.Visit // of people with several films, by film; from write on
}

func (s *simulation) bind(fs *flag.FlagSet, films int) {
	fs.IntVar(&s.films, "films", films, "`number` of films")
	fs.Uint64Var(&s.seed, "seed", 1, "`number` that all chance is drawn from")
	fs.StringVar(&s.group, "group", "", "make films of this `group` only: "+strings.Join(s.groups(), ", "))
	fs.BoolVar(&s.unseen, "unseen", false, "draw from the held-out variation, for judging only")
	fs.StringVar(&s.syntax, "syntax", "", "store films in this transfer syntax `UID` where it fits; default a mix")
	fs.BoolVar(&s.plain, "plain", false, "no .zip and no DICOMDIR, all films in folders")
	fs.BoolVar(&s.quiet, "quiet", false, "show no progress")
}

func (s *simulation) validate() error {
	switch {
	case s.films < 1:
		return usageError{fmt.Sprintf("films = %d, want 1 or more", s.films)}
	case s.group != "" && !slices.Contains(s.groups(), s.group):
		return usageError{fmt.Sprintf("unknown group %q", s.group)}
	case s.syntax != "" && !slices.Contains(dicomfile.Syntaxes(), dicomfile.Syntax(s.syntax)):
		return usageError{fmt.Sprintf("unknown transfer syntax %q", s.syntax)}
	}
	return nil
}

// film makes film i: the same for the same i and seed.
func (s *simulation) film(i int) (simulate.Film, error) {
	rng, group := rand.New(rand.NewPCG(s.seed, uint64(i))), s.groupOf(i)
	if i < len(s.visits) && s.visits[i] != nil {
		return s.visits[i].Draw(rng, group, s.unseen).Render(), nil
	}
	return s.scene(rng, group).Render(), nil
}

// groupOf returns the group of film i.
func (s *simulation) groupOf(i int) string {
	if s.group != "" {
		return s.group
	}
	mix := s.mix
	if mix == nil {
		mix = simulate.Groups()
	}
	return mix[i%len(mix)]
}

// write fills dir with an archive. Where it is like a service's, of all groups in
// turn, some people have several films; films for judging are of one person each.
func (s *simulation) write(ctx context.Context, dir string, stderr io.Writer) error {
	if s.group == "" && s.mix == nil {
		films := make([]string, s.films)
		for i := range films {
			films[i] = s.groupOf(i)
		}
		s.visits = simulate.People(s.seed, films)
	}
	o := dicomfile.ArchiveOptions{Syntax: dicomfile.Syntax(s.syntax), Plain: s.plain}
	if !s.quiet {
		done, end := countFilms(stderr, "simulating", s.films)
		defer end()
		o.Done = done
	}
	return dicomfile.WriteArchive(ctx, dir, s.seed, s.films, s.film, o)
}

// hard returns a context that the first interrupt ends too: for work that has
// nothing to go on from.
func hard(ctx context.Context, stop <-chan struct{}) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

func simulateCommand(ctx context.Context, c command) error {
	var s simulation
	var out string
	fs := newFlags("shaftgauge simulate -o DIR [flags]", c.stdout)
	fs.StringVar(&out, "o", "", "`folder` for the films and truth.json; new or empty")
	s.bind(fs, 24)
	operands, err := parse(fs, c.args)
	switch {
	case err != nil:
		return err
	case len(operands) > 0:
		return usageError{fmt.Sprintf("simulate: unexpected %q", operands[0])}
	case out == "":
		return usageError{"simulate: no output folder (-o DIR)"}
	}
	if err := s.validate(); err != nil {
		return err
	}
	ctx, cancel := hard(ctx, c.stop)
	defer cancel()
	if err := s.write(ctx, out, c.stderr); err != nil {
		return err
	}
	if !s.quiet {
		fmt.Fprintf(c.stderr, "%d films of the invented Harrow Vale fracture service, and their truth: %s\n", s.films, out)
	}
	return nil
}
