package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"shaftgauge/pipeline"
	"shaftgauge/pipeline/job"
)

// Exit codes.
const (
	exitMeasured    = 0   // every film has a measured or partial row
	exitFatal       = 1   // the run could not go on
	exitUsage       = 2   // the command line or the settings file is wrong
	exitNotMeasured = 3   // finished, some films have no measurement
	exitInterrupted = 130 // stopped by a signal; the same command goes on
)

const usage = `shaftgauge measures femur radiographs by the thousand for human review.
It measures; it never diagnoses.

usage:
  shaftgauge measure SRC... -o OUT [flags]   films in, measurements out
  shaftgauge review OUT                      look, correct, accept or reject in a browser
  shaftgauge fill REGISTRY.csv --from OUT --map map.yaml -o FILLED.csv
                                             fill a registry's empty cells
  shaftgauge agree READERS.csv --from OUT -o PAGE.html
                                             compare readers with measurements
  shaftgauge dicom OUT -o DIR [--overlays]   write the rows as DICOM objects
  shaftgauge settings                        print the settings file, commented
  shaftgauge simulate -o DIR [flags]         make films of known truth
  shaftgauge verify [flags]                  simulate, measure, print the accuracy table
  shaftgauge version                         print the version
  shaftgauge COMMAND --help                  flags of a command

SRC is a film, a folder, a DICOMDIR or a .zip archive.

exit codes: 0 all measured, 1 fatal error, 2 usage error, 3 finished with films
not measured, 130 interrupted (run the same command again to go on)
`

// usageError is a mistake on the command line or in the settings file.
type usageError struct{ text string }

func (e usageError) Error() string { return e.text }

// errNotMeasured ends a run that finished with films not measured.
var errNotMeasured = errors.New("films not measured")

type command struct {
	args           []string
	stdout, stderr io.Writer
	stop           <-chan struct{} // closed by the first interrupt
}

// run runs one command and returns its exit code.
func run(args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		fmt.Fprint(stderr, usage)
		return exitUsage
	}
	commands := map[string]func(context.Context, command) error{
		"agree":    agreeCommand,
		"dicom":    dicomCommand,
		"fill":     fillCommand,
		"measure":  measureCommand,
		"review":   reviewCommand,
		"settings": settingsCommand,
		"simulate": simulateCommand,
		"verify":   verifyCommand,
		"version":  versionCommand,
	}
	name := args[0]
	switch name {
	case "help", "-h", "-help", "--help":
		fmt.Fprint(stdout, usage)
		return exitMeasured
	case "-version", "--version":
		name = "version"
	}
	do, ok := commands[name]
	if !ok {
		fmt.Fprintf(stderr, "shaftgauge: unknown command %q\n\n%s", name, usage)
		return exitUsage
	}
	ending, ok := endings[name]
	if !ok {
		ending = "stopping"
	}
	ctx, stop, done := interrupts(stderr, ending)
	defer done()
	return exitCode(name, do(ctx, command{args: args[1:], stdout: stdout, stderr: stderr, stop: stop}), stderr)
}

// endings says what the commands do at an interrupt that go on for a while.
var endings = map[string]string{
	"measure": "finishing the films in flight; interrupt again to stop at once",
	"dicom":   "finishing the film in flight; interrupt again to stop at once",
	"review":  "ending the review",
}

// exitCode says what went wrong with a command and returns the code for it.
func exitCode(name string, err error, stderr io.Writer) int {
	var wrong usageError
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return exitMeasured
	case errors.Is(err, errNotMeasured):
		return exitNotMeasured
	case errors.As(err, &wrong):
		fmt.Fprintf(stderr, "shaftgauge: %v\nrun shaftgauge %s --help for its usage\n", err, name)
		return exitUsage
	case errors.Is(err, pipeline.ErrInterrupted), errors.Is(err, context.Canceled):
		said := "shaftgauge: interrupted"
		if name == "measure" {
			said += "; films measured so far are kept: run the same command again to go on"
		}
		fmt.Fprintln(stderr, said)
		return exitInterrupted
	}
	fmt.Fprintf(stderr, "shaftgauge: %v\n", err)
	return exitFatal
}

// interrupts turns the first SIGINT or SIGTERM into the close of stop, and the
// second into the end of the context. ending is said at the first.
func interrupts(stderr io.Writer, ending string) (ctx context.Context, stop <-chan struct{}, done func()) {
	ctx, cancel := context.WithCancel(context.Background())
	asked := make(chan struct{})
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		for n := 0; ; n++ {
			select {
			case <-signals:
			case <-ctx.Done():
				return
			}
			if n > 0 {
				cancel()
				return
			}
			fmt.Fprintln(stderr, "\nshaftgauge: "+ending)
			close(asked)
		}
	}()
	return ctx, asked, func() { signal.Stop(signals); cancel() }
}

// newFlags returns the flag set of a command; synopsis is its usage line.
func newFlags(synopsis string, out io.Writer) *flag.FlagSet {
	fs := flag.NewFlagSet("shaftgauge", flag.ContinueOnError)
	fs.SetOutput(io.Discard) // errors are printed once, by exitCode
	fs.Usage = func() {
		fmt.Fprintf(out, "usage: %s\n\n", synopsis)
		fs.SetOutput(out)
		fs.PrintDefaults()
		fs.SetOutput(io.Discard)
	}
	return fs
}

// parse parses flags that may stand before, between and after the operands,
// and returns those. After "--" everything is an operand.
func parse(fs *flag.FlagSet, args []string) ([]string, error) {
	args, rest := slices.Clone(args), []string(nil)
	if i := slices.Index(args, "--"); i >= 0 {
		args, rest = args[:i], args[i+1:]
	}
	help := fs.Usage
	fs.Usage = func() {} // the flag package calls it on errors too
	var operands []string
	for {
		if err := fs.Parse(args); errors.Is(err, flag.ErrHelp) {
			help()
			return nil, err
		} else if err != nil {
			return nil, usageError{err.Error()}
		}
		if fs.NArg() == 0 {
			return append(operands, rest...), nil
		}
		operands = append(operands, fs.Arg(0))
		args = fs.Args()[1:]
	}
}

// bare wants a command to be given alone, or to be asked for its help.
func (c command) bare(name string) error {
	operands, err := parse(newFlags("shaftgauge "+name, c.stdout), c.args)
	if err == nil && len(operands) > 0 {
		err = usageError{name + " takes no arguments"}
	}
	return err
}

func settingsCommand(_ context.Context, c command) error {
	if err := c.bare("settings"); err != nil {
		return err
	}
	_, err := io.WriteString(c.stdout, defaults)
	return err
}

func versionCommand(_ context.Context, c command) error {
	if err := c.bare("version"); err != nil {
		return err
	}
	_, err := fmt.Fprintf(c.stdout, "shaftgauge %s, algorithm %s\n", version(), job.Algorithm)
	return err
}

// version returns what the build says of itself: the module's version, and the
// commit where the module has none.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	var revision, dirty string
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = "+changes"
		}
	}
	return strings.TrimSpace("development " + revision + dirty)
}
