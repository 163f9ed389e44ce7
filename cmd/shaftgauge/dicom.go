package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"shaftgauge/export"
	"shaftgauge/pipeline"
)

// dicomCommand writes the rows of a finished run as DICOM objects.
func dicomCommand(ctx context.Context, c command) error {
	var dir string
	var overlays bool
	flags := newFlags("shaftgauge dicom OUT -o DIR [--overlays]", c.stdout)
	flags.StringVar(&dir, "o", "", "`folder` for the DICOM objects; must not be among the films")
	flags.BoolVar(&overlays, "overlays", false, "write the overlay pictures too, as secondary capture")
	operands, err := parse(flags, c.args)
	switch {
	case err != nil:
		return err
	case len(operands) != 1:
		return usageError{"dicom: name the output folder of one run"}
	case dir == "":
		return usageError{"dicom: no folder for the objects (-o DIR)"}
	}
	run, err := openFinished(operands[0])
	if err != nil {
		return err
	}
	if run.report.Settings.Pseudonymise {
		return usageError{"dicom: that run was pseudonymised: its rows name no image that DICOM objects could refer to"}
	}
	for _, s := range run.report.Sources {
		if below(dir, s) {
			return usageError{fmt.Sprintf("dicom: %s is among the films in %s: the next run would take the objects for films", dir, s)}
		}
	}
	w, err := newDocuments(ctx, run, dir, overlays)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, rows := range byFilm(run.femurs) {
		select {
		case <-c.stop:
			return pipeline.ErrInterrupted
		default:
		}
		if err := w.film(rows); err != nil {
			return err
		}
	}
	if err := w.removeOld(); err != nil {
		return err
	}
	if err := export.WriteFileAtomic(filepath.Join(dir, documentsName), export.Sheet{Rows: w.table(), Separator: ','}.Write); err != nil {
		return err
	}
	return w.say(c.stdout)
}

// below reports whether dir is the folder root or lies in it.
func below(dir, root string) bool {
	real := func(path string) string {
		path, err := filepath.Abs(path)
		if err != nil {
			return path
		}
		for rest := ""; ; {
			if found, err := filepath.EvalSymlinks(path); err == nil {
				return filepath.Join(found, rest)
			}
			if path == filepath.Dir(path) {
				return filepath.Join(path, rest)
			}
			path, rest = filepath.Dir(path), filepath.Join(filepath.Base(path), rest)
		}
	}
	rel, err := filepath.Rel(real(root), real(dir))
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}
