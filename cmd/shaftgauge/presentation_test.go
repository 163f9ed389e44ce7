package main

import (
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"shaftgauge/export"
	"shaftgauge/export/dicom"
	"shaftgauge/measure"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// A presentation state shows the film's grey values as the film's own header
// does. dcmtk renders both.
func TestPresentationKeepsGreyValues(t *testing.T) {
	for _, tool := range []string{"dcmp2pgm", "dcmj2pnm"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not installed", tool)
		}
	}
	for name, tt := range map[string]struct {
		change func(*simulate.Film, *dicomfile.Options)
		window string // how dcmj2pnm is told to show it
		pixels bool   // a signed film with a VOI LUT made by pydicom
	}{
		"window":           {plain, "+Wi", false},
		"bone dark":        {func(f *simulate.Film, _ *dicomfile.Options) { f.Monochrome1 = true }, "+Wi", false},
		"signed, rescaled": {func(_ *simulate.Film, o *dicomfile.Options) { o.Signed = true }, "+Wi", false},
		"look-up table": {func(f *simulate.Film, _ *dicomfile.Options) {
			f.Facts.WindowCenter, f.Facts.WindowWidth = 0, 0
		}, "+Wl", true},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			film, state := filepath.Join(dir, "film.dcm"), filepath.Join(dir, "state.dcm")
			content := rampFilm(t, "2.25.123", tt.change)
			if err := os.WriteFile(film, content, 0o644); err != nil {
				t.Fatal(err)
			}
			if tt.pixels {
				content = withLookUp(t, film)
			}
			h, ok := dicomHeader(content, 1<<20)
			if !ok {
				t.Fatal("not read")
			}
			femur := rowOf("film.dcm", "2.25.123")
			femur.Geometry = lineOf("film.dcm")
			err := export.WriteFileAtomic(state, func(w io.Writer) error {
				_, err := dicom.WritePresentation(w, dicom.Film{Header: h, Femurs: []measure.Femur{femur}}, dicom.Program{Version: "test"})
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			render := func(tool string, args ...string) []byte {
				out := filepath.Join(dir, tool+".pgm")
				if msg, err := exec.Command(tool, append(args, film, out)...).CombinedOutput(); err != nil || len(msg) > 0 {
					t.Fatalf("%s: %v\n%s", tool, err, msg)
				}
				b, err := os.ReadFile(out)
				if err != nil {
					t.Fatal(err)
				}
				if len(b) < 64*96 {
					t.Fatalf("%s: %d bytes", tool, len(b))
				}
				return b[len(b)-64*96:]
			}
			args := []string{"--write-raw-pnm", tt.window, "1"}
			got, want := render("dcmp2pgm", "-p", state), render("dcmj2pnm", args...)
			worst := 0.0
			for i := range want {
				worst = max(worst, math.Abs(float64(got[i])-float64(want[i])))
			}
			if worst > 2 { // of 255; the two round apart
				t.Errorf("differs by %g grey levels", worst)
			}
			if slices.Min(want) > 5 || slices.Max(want) < 250 {
				t.Errorf("grey values from %d to %d: no test", slices.Min(want), slices.Max(want))
			}
		})
	}
}

// withLookUp gives the file a VOI look-up table, a square root, and returns its
// new content.
func withLookUp(t *testing.T, path string) []byte {
	t.Helper()
	const script = `
import sys, pydicom
from pydicom.dataset import Dataset
d = pydicom.dcmread(sys.argv[1])
l = Dataset()
l.add_new(0x00283002, "US", [4096, 0, 16])
l.add_new(0x00283006, "OW", b"".join(int((i / 4095) ** 0.5 * 65535).to_bytes(2, "little") for i in range(4096)))
d.VOILUTSequence = [l]
d.save_as(sys.argv[1])
`
	if exec.Command("/usr/bin/python3", "-c", "import pydicom").Run() != nil {
		t.Skip("python3-pydicom is not installed")
	}
	if out, err := exec.Command("/usr/bin/python3", "-c", script, path).CombinedOutput(); err != nil {
		t.Fatalf("pydicom: %v\n%s", err, out)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
