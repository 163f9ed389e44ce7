package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/accuracy"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// femurSink keeps the femurs of each film and writes what an [output] writes.
type femurSink struct {
	*output
	femurs map[string][]measure.Femur
}

func (s femurSink) Put(ctx context.Context, a job.Answer) error {
	s.femurs[a.Source] = a.Femurs
	return s.output.Put(ctx, a)
}

// verifyCommand is the user's acceptance test: it makes films of known truth,
// measures them as any others and says how far the rows are from the truth.
func verifyCommand(ctx context.Context, c command) error {
	var sim simulation
	var keep, from, csvFile, jsonFile string
	set := defaultSettings()
	set.Overlays = false
	fs := newFlags("shaftgauge verify [flags]", c.stdout)
	fs.StringVar(&keep, "o", "", "keep films and output in this `folder`, new or empty; default: keep nothing")
	fs.StringVar(&from, "from", "", "take the films and truth.json of this `folder`, made by simulate, instead of new ones")
	fs.StringVar(&csvFile, "csv", "", "write the table to this CSV `file` too")
	fs.StringVar(&jsonFile, "json", "", "write the table to this JSON `file` too")
	fs.IntVar(&set.Workers, "workers", 0, "worker `processes`; 0: one a CPU core")
	sim.bind(fs, 84)
	operands, err := parse(fs, c.args)
	if err != nil {
		return err
	}
	if len(operands) > 0 {
		return usageError{fmt.Sprintf("verify: unexpected %q", operands[0])}
	}
	if err := sim.validate(); err != nil {
		return err
	}
	if err := set.validate(); err != nil {
		return err
	}
	dir := keep
	if dir == "" {
		if dir, err = os.MkdirTemp("", "shaftgauge-verify-"); err != nil {
			return err
		}
		defer os.RemoveAll(dir)
	}
	ctx, cancel := hard(ctx, c.stop)
	defer cancel()
	films := from
	if films == "" {
		films = filepath.Join(dir, "films")
		if err := sim.write(ctx, films, c.stderr); err != nil {
			return err
		}
	}
	run := batch{settings: set, sources: []string{films}, out: filepath.Join(dir, "out"), quiet: sim.quiet, stderr: c.stderr}
	femurs := make(map[string][]measure.Femur)
	if _, _, err := run.run(ctx, func(o *output) pipeline.Sink { return femurSink{o, femurs} }); err != nil {
		return err
	}
	report, err := compare(filepath.Join(films, dicomfile.TruthFile), femurs)
	if err != nil {
		return err
	}
	for _, to := range []struct {
		path  string
		write func(io.Writer) error
	}{{csvFile, report.WriteCSV}, {jsonFile, report.WriteJSON}} {
		if to.path == "" {
			continue
		}
		if err := export.WriteFileAtomic(to.path, to.write); err != nil {
			return err
		}
	}
	if err := report.WriteText(c.stdout); err != nil {
		return err
	}
	failed := 0
	for _, check := range report.Checks {
		if check.Verdict == accuracy.Fail {
			failed++
		}
	}
	if failed > 0 {
		return fmt.Errorf("verify: %d of %d checks failed", failed, len(report.Checks))
	}
	return nil
}

// compare sets the femurs against the truth in a file.
func compare(truthFile string, femurs map[string][]measure.Femur) (*accuracy.Report, error) {
	f, err := os.Open(truthFile)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	truth, err := dicomfile.ReadTruth(f)
	if err != nil {
		return nil, err
	}
	var films []accuracy.Film
	for _, t := range truth.Films {
		films = append(films, accuracy.Film{Source: t.Source, Truth: t.Truth, Rows: femurs[t.Source]})
	}
	return accuracy.Compare(films, accuracy.Options{Clean: clean()}), nil
}

// clean lists the groups whose films have nothing that a row should refuse: no
// implant, no break, no header that contradicts itself.
func clean() []string {
	return slices.DeleteFunc(simulate.Groups(), func(g string) bool {
		return slices.Contains([]string{"implant", "implant_lat", "broken", "contradiction"}, g)
	})
}
