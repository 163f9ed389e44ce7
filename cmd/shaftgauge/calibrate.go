package main

import (
	"io"
	"strings"

	"shaftgauge/export"
	"shaftgauge/pipeline/accuracy"
)

// calibrate fits the factors of package calibration, writes them to a file and
// their proof to w.
func calibrate(films []accuracy.Film, file string, w io.Writer) error {
	c := accuracy.Calibrate(films, func(group string) bool { return strings.HasPrefix(group, surfaceGroup) })
	if err := export.WriteFileAtomic(file, c.Table().Write); err != nil {
		return err
	}
	return c.WriteText(w)
}
