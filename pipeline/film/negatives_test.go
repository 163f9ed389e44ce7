package film

import (
	"context"
	"go/build"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/simulate"
)

// coarsened makes the pixels of a scene k times as large, in its header too.
func coarsened(s simulate.Scene, k float64) simulate.Scene {
	s.Plate.Spacing.X *= k
	s.Plate.Spacing.Y *= k
	for _, p := range []*float64{&s.Facts.ImagerPixelSpacing.X, &s.Facts.ImagerPixelSpacing.Y, &s.Facts.PixelSpacing.X, &s.Facts.PixelSpacing.Y} {
		*p *= k
	}
	return s
}

// noNumber fails for an answer without a row or with a number.
func noNumber(t *testing.T, what string, a job.Answer) {
	t.Helper()
	if len(a.Femurs) == 0 {
		t.Errorf("%s: no row", what)
	}
	for _, femur := range a.Femurs {
		if len(femur.Record.Values) > 0 || femur.Record.Status != measure.StatusNotMeasured || len(femur.Record.Reasons) == 0 {
			t.Errorf("%s: %v, reasons %v", what, femur.Record.Values, femur.Record.Reasons)
		}
	}
}

// No number on a film without a femur, whatever its header says: other bones,
// soft tissue, hardware that lies alone, phantoms, pictures that are no
// radiographs.
func TestNoNumberWithoutFemur(t *testing.T) {
	for i, kind := range simulate.Negatives() {
		n := 1
		switch kind {
		case "humerus", "lower_leg", "forearm", "shoulder", "elbow", "long_bone", "pipe":
			n = 3
		}
		for k := range n {
			s := simulate.DrawNegative(rand.New(rand.NewPCG(99, uint64(100*k+i))), kind)
			if k > 0 { // a header that swears to it
				s.Facts.BodyPart, s.Facts.SeriesDescription = "FEMUR", "Femur AP"
				s.Facts.ImageLaterality, s.Facts.ViewPosition, s.Facts.PatientOrientation = "L", "AP", [2]string{"L", "F"}
			}
			noNumber(t, kind, measured(t, coarsened(s, 2).Render()))
		}
	}
}

// Pictures from elsewhere: photographs, drawings and screens that come with Go
// and with gocv, and pydicom's files (CT, MR, ultrasound and others), where they
// are installed.
func TestNoNumberOnOtherPictures(t *testing.T) {
	dirs := []string{filepath.Join(build.Default.GOROOT, "src/image/testdata"), "/usr/lib/python3/dist-packages/pydicom/data/test_files"}
	if out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "gocv.io/x/gocv").Output(); err == nil {
		dirs = append(dirs, filepath.Join(strings.TrimSpace(string(out)), "images"))
	}
	looked := 0
	for _, dir := range dirs {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Log(err)
			continue
		}
		for _, e := range entries {
			switch strings.ToLower(filepath.Ext(e.Name())) {
			case ".png", ".jpg", ".jpeg", ".tif", ".tiff", ".dcm":
			default:
				continue
			}
			a := Measure(context.Background(), job.Job{Path: filepath.Join(dir, e.Name()), Source: e.Name(), Config: settings})
			noNumber(t, e.Name(), a)
			looked++
		}
	}
	if looked == 0 {
		t.Skip("none installed")
	}
}
