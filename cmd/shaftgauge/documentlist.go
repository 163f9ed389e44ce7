package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"shaftgauge/export"
)

// documentsName lists what dicom wrote, and of which films nothing and why.
const documentsName = "documents.csv"

// Why a film has no DICOM objects.
const (
	notDICOM     = "not a DICOM film, or one without UIDs"
	noFemur      = "no femur on the film"
	sameImage    = "the same image as an earlier film"
	notThere     = "the film is no longer where it was"
	changed      = "the film has changed since it was measured"
	headerLacks  = "the film's header lacks UIDs or size"
	noOverlay    = "no overlay picture"
	oldOverlay   = "its overlay shows what was measured before the review"
	nothingDrawn = "no geometry to draw"
)

// harmless are the reasons that say nothing is wrong.
var harmless = []string{notDICOM, noFemur, sameImage, nothingDrawn, oldOverlay}

// removeOld removes the objects that an earlier documents.csv lists and that
// were not written again: they are of films or rows that are no more.
func (w *documents) removeOld() error {
	f, err := os.Open(filepath.Join(w.dir, documentsName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) == 0 || !slices.Equal(rows[0], documentColumns) {
		return nil // not ours
	}
	now := make(map[string]bool)
	for _, d := range w.list {
		now[d.file] = true
	}
	for _, row := range rows[1:] {
		file := row[slices.Index(documentColumns, "file")]
		if now[file] || file != filepath.Base(file) || filepath.Ext(file) != objectSuffix {
			continue
		}
		if err := os.Remove(filepath.Join(w.dir, file)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

var documentColumns = []string{"source", "kind", "file", "instance_uid", "why_not"}

// table is documents.csv.
func (w *documents) table() [][]string {
	out := [][]string{documentColumns}
	for _, d := range w.list {
		out = append(out, []string{export.SafeText(d.source), d.kind, d.file, d.instance, d.why})
	}
	return out
}

// say tells what was written and what was not.
func (w *documents) say(to io.Writer) error {
	var wrong bool
	fmt.Fprintf(to, "%d reports, %d presentation states", w.written["report"], w.written["presentation state"])
	if w.overlays {
		fmt.Fprintf(to, ", %d secondary captures", w.written["secondary capture"])
	}
	fmt.Fprintf(to, " in %s\n", w.dir)
	for _, why := range slices.Sorted(maps.Keys(w.without)) {
		fmt.Fprintf(to, "without: %d, %s\n", w.without[why], why)
		wrong = wrong || !slices.Contains(harmless, why)
	}
	fmt.Fprintf(to, "every film: %s\n", filepath.Join(w.dir, documentsName))
	if wrong {
		return errNotMeasured
	}
	return nil
}
