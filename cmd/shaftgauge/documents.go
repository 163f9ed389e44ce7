package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"image/png"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"shaftgauge/export"
	"shaftgauge/export/dicom"
	"shaftgauge/measure"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/review"
	"shaftgauge/pipeline/source"
)

// documents writes the objects of one film after the other.
type documents struct {
	dir      string
	run      finished
	reviews  map[int]review.Outcome // by row
	overlays bool
	maxBytes int64
	program  dicom.Program
	files    map[string]source.File
	digests  map[string]string

	seen    map[string]bool // instance UIDs
	list    []document
	written map[string]int // by kind
	without map[string]int // by reason
}

// document is one row of documents.csv: an object, or why there is none.
type document struct{ source, kind, file, instance, why string }

// newDocuments finds the films of a run again, and what people decided of its
// rows.
func newDocuments(ctx context.Context, run finished, dir string, overlays bool) (*documents, error) {
	maxBytes := int64(run.report.Settings.MaxFileMB) << 20
	list, err := run.listing(ctx, maxBytes)
	if err != nil {
		return nil, fmt.Errorf("the films of this run cannot be found (run dicom in the folder that measure was run in): %w", err)
	}
	reviews, err := run.reviews(ctx)
	if err != nil {
		return nil, err
	}
	w := &documents{dir: dir, run: run, reviews: reviews, overlays: overlays, maxBytes: maxBytes, files: make(map[string]source.File),
		digests: make(map[string]string), seen: make(map[string]bool), written: make(map[string]int), without: make(map[string]int),
		program: dicom.Program{Version: run.report.Version, Algorithm: run.report.Algorithm, Written: run.report.Finished.Local()}}
	for _, f := range list.Files {
		w.files[f.Source] = f
	}
	for _, f := range run.report.Inputs {
		w.digests[f.Source] = f.SHA256
	}
	return w, nil
}

func (w *documents) refuse(name, kind, why string) {
	w.without[why]++
	w.list = append(w.list, document{source: name, kind: kind, why: why})
}

// film writes the objects of the film that has the rows at the given places.
func (w *documents) film(rows []int) error {
	first := &w.run.femurs[rows[0]].Record
	name, instance := first.Source, first.InstanceUID
	nth := make(map[int]int) // rows by frame
	f := dicom.Film{Source: name, Review: make(map[int]*dicom.Review)}
	for _, row := range rows {
		femur := w.run.femurs[row]
		r := &w.run.femurs[row].Record
		nth[r.Frame]++
		outcome, reviewed := w.reviews[row]
		if !r.ShowsFemur() && outcome.Femur == nil {
			continue
		}
		if reviewed {
			f.Review[len(f.Femurs)] = &dicom.Review{Reviewer: outcome.Reviewer, At: outcome.At.Local(), Note: outcome.Note}
		}
		if reviewed && outcome.State == review.Rejected {
			f.Review[len(f.Femurs)].Rejected = cmp.Or(outcome.Reason, "no reason given")
		} else if reviewed && outcome.Femur != nil {
			femur = *outcome.Femur
			f.Review[len(f.Femurs)].Before = r
		}
		if femur.Geometry == nil {
			g, err := w.geometry(r, nth[r.Frame])
			if err != nil {
				return err
			}
			femur.Geometry = g
		}
		f.Femurs = append(f.Femurs, femur)
	}
	file, listed := w.files[name]
	switch {
	case instance == "":
		w.refuse(name, "", notDICOM)
		return nil
	case len(f.Femurs) == 0:
		w.refuse(name, "", noFemur)
		return nil
	case w.seen[instance]:
		w.refuse(name, "", sameImage)
		return nil
	case !listed || file.Refused != "":
		w.refuse(name, "", notThere)
		return nil
	}
	content, sum, err := pipeline.Content(file, w.maxBytes)
	switch {
	case err != nil:
		w.refuse(name, "", notThere)
		return nil
	case sum != w.digests[name]:
		w.refuse(name, "", changed)
		return nil
	}
	w.seen[instance] = true
	var ok bool
	if f.Header, ok = dicomHeader(content, w.maxBytes); !ok {
		w.refuse(name, "", notDICOM)
		return nil
	}
	w.succeed(&f)
	err = w.write(name, "report", reportSuffix, func(to io.Writer) (string, error) { return dicom.WriteReport(to, f, w.program) })
	if errors.Is(err, dicom.ErrHeader) {
		w.refuse(name, "", headerLacks)
		return nil
	} else if err != nil {
		return err
	}
	err = w.write(name, "presentation state", "-pr", func(to io.Writer) (string, error) { return dicom.WritePresentation(to, f, w.program) })
	if errors.Is(err, dicom.ErrNothingDrawn) {
		w.refuse(name, "presentation state", nothingDrawn)
	} else if err != nil {
		return err
	}
	if w.overlays {
		return w.captures(f)
	}
	return nil
}

// succeed lets the report of f name the one that lies in the folder as its
// predecessor, where that says something else. One that says the same keeps the
// predecessor that it has, and so its UID.
func (w *documents) succeed(f *dicom.Film) {
	path := filepath.Join(w.dir, objectName(f.Source, reportSuffix))
	b, err := os.ReadFile(path)
	if err != nil {
		return
	}
	earlier, replaced := earlierReport(b, w.maxBytes)
	if earlier == nil || earlier.StudyUID != f.Header.StudyUID {
		return
	}
	f.Replaces = replaced
	if instance, err := dicom.WriteReport(io.Discard, *f, w.program); err != nil || instance != earlier.InstanceUID {
		f.Replaces = earlier
	}
}

// captures writes the overlay of each frame that has a femur.
func (w *documents) captures(f dicom.Film) error {
	var frames []int
	old := make(map[int]bool)
	for i := range f.Femurs {
		frame := f.Femurs[i].Record.Frame
		frames = append(frames, frame)
		if r := f.Review[i]; r != nil && (r.Rejected != "" || r.Before != nil) {
			old[frame] = true
		}
	}
	for _, frame := range slices.Compact(frames) {
		if old[frame] {
			w.refuse(f.Source, "secondary capture", oldOverlay)
			continue
		}
		b, err := os.ReadFile(filepath.Join(w.run.dir, overlayDir, export.FrameName(f.Source, frame)+".png"))
		if errors.Is(err, fs.ErrNotExist) {
			w.refuse(f.Source, "secondary capture", noOverlay)
			continue
		}
		if err != nil {
			return err
		}
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			return fmt.Errorf("overlay of %s: %w", f.Source, err)
		}
		err = w.write(f.Source, "secondary capture", fmt.Sprintf("-sc-%d", frame), func(to io.Writer) (string, error) {
			return dicom.WriteCapture(to, f, w.program, frame, img)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// reportSuffix tells the report from the other objects of a film, objectSuffix
// ends the names of all.
const (
	reportSuffix = "-sr"
	objectSuffix = ".dcm"
)

// objectName is the name of the file of one object of a film.
func objectName(source, suffix string) string {
	return strings.TrimSuffix(export.FrameName(source, 1), "-1") + suffix + objectSuffix
}

// write writes one object of a film.
func (w *documents) write(name, kind, suffix string, object func(io.Writer) (string, error)) error {
	file := objectName(name, suffix)
	var instance string
	err := export.WriteFileAtomic(filepath.Join(w.dir, file), func(to io.Writer) (err error) {
		instance, err = object(to)
		return err
	})
	if err != nil {
		return err
	}
	w.written[kind]++
	w.list = append(w.list, document{source: name, kind: kind, file: file, instance: instance})
	return nil
}

// geometry reads the geometry of the n-th femur of r's frame, nil where there
// is none.
func (w *documents) geometry(r *measure.Record, n int) (*measure.Geometry, error) {
	f, err := os.Open(filepath.Join(w.run.dir, geometryDir, export.FemurName(r.Source, r.Frame, n)+".json"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return export.ReadGeometry(f)
}

// byFilm returns the places of the rows of each source, in order.
func byFilm(femurs []measure.Femur) [][]int {
	var out [][]int
	at := make(map[string]int)
	for row := range femurs {
		name := femurs[row].Record.Source
		i, ok := at[name]
		if !ok {
			i = len(out)
			at[name] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], row)
	}
	return out
}
