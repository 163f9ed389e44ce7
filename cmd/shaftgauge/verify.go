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
	var keep, from, meshes, csvFile, jsonFile, factors string
	set := defaultSettings()
	set.Overlays = false
	fs := newFlags("shaftgauge verify [flags]", c.stdout)
	fs.StringVar(&keep, "o", "", "keep films and output in this `folder`, new or empty; default: keep nothing")
	fs.StringVar(&from, "from", "", "take the films and truth.json of this `folder`, made by simulate, instead of new ones")
	fs.StringVar(&csvFile, "csv", "", "write the table to this CSV `file` too")
	fs.StringVar(&jsonFile, "json", "", "write the table to this JSON `file` too")
	fs.StringVar(&meshes, "meshes", "", "draw some of the films with the femur surfaces (binary STL) of this `folder`")
	fs.StringVar(&factors, "calibrate", "", "fit the uncertainties' factors on half of the films, prove them on the others and write them to this CSV `file`")
	fs.IntVar(&set.Workers, "workers", 0, "worker `processes`; 0: one a CPU core")
	sim.bind(fs, 96)
	operands, err := parse(fs, c.args)
	if err != nil {
		return err
	}
	if len(operands) > 0 {
		return usageError{fmt.Sprintf("verify: unexpected %q", operands[0])}
	}
	if meshes != "" {
		if sim.surfaces, err = simulate.ReadMeshes(meshes); err != nil {
			return err
		}
	}
	if err := sim.validate(); err != nil {
		return err
	}
	if err := set.validate(); err != nil {
		return err
	}
	sim.mix = mix(len(sim.surfaces) > 0)
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
	truth, err := readTruth(filepath.Join(films, dicomfile.TruthFile))
	if err != nil {
		return err
	}
	run := batch{settings: set, sources: []string{films}, out: filepath.Join(dir, "out"), quiet: sim.quiet, stderr: c.stderr}
	femurs := make(map[string][]measure.Femur)
	if _, _, err := run.run(ctx, func(o *output) pipeline.Sink { return femurSink{o, femurs} }); err != nil {
		return err
	}
	results := beside(truth, femurs)
	if factors != "" {
		return calibrate(results, factors, c.stdout)
	}
	report := accuracy.Compare(results, accuracy.Options{Clean: clean()})
	if err := tell(report, c.stdout, csvFile, jsonFile); err != nil {
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

// tell prints the table, then writes it to the files that are named: a folder that is
// not there must not cost what was measured.
func tell(r *accuracy.Report, stdout io.Writer, csvFile, jsonFile string) error {
	if err := r.WriteText(stdout); err != nil {
		return err
	}
	for _, to := range []struct {
		path  string
		write func(io.Writer) error
	}{{csvFile, r.WriteCSV}, {jsonFile, r.WriteJSON}} {
		if to.path == "" {
			continue
		}
		if err := export.WriteFileAtomic(to.path, to.write); err != nil {
			return err
		}
	}
	return nil
}

// readTruth reads the truth of a folder of films. It is asked for before they are
// measured: without it that would be for nothing.
func readTruth(file string) (dicomfile.ArchiveTruth, error) {
	f, err := os.Open(file)
	if err != nil {
		return dicomfile.ArchiveTruth{}, err
	}
	defer f.Close()
	return dicomfile.ReadTruth(f)
}

// beside sets the femurs beside the truth.
func beside(truth dicomfile.ArchiveTruth, femurs map[string][]measure.Femur) []accuracy.Film {
	var films []accuracy.Film
	for _, t := range truth.Films {
		films = append(films, accuracy.Film{Source: t.Source, Truth: t.Truth, Rows: femurs[t.Source]})
	}
	return films
}

// clean lists the groups whose films have nothing that a row should refuse: no
// implant, no break, no header that contradicts itself.
func clean() []string {
	return slices.DeleteFunc(append(simulate.Groups(), thickeningLow, surfaceGroup), func(g string) bool {
		return slices.Contains([]string{"implant", "implant_lat", "broken", "contradiction"}, g)
	})
}
