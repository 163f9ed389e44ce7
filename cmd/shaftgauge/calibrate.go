package main

import (
	"io"
	"strings"

	"shaftgauge/export"
	"shaftgauge/pipeline/accuracy"
)

// calibrate fits the factors of package calibration, writes their proof to w and
// themselves to a file.
func calibrate(films []accuracy.Film, file string, w io.Writer) error {
	c := accuracy.Calibrate(films, func(group string) bool { return strings.HasPrefix(group, surfaceGroup) })
	if err := c.WriteText(w); err != nil {
		return err
	}
	return export.WriteFileAtomic(file, c.Table().Write)
}
