package film

import (
	"slices"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
)

// Magnification by the contract: a ball of stated diameter on a film that has
// only the detector's spacing. A disc of 200 pixels at 0.15 mm is 30 mm on the
// detector; a ball of 25 mm is then magnified 1.2 times.
func TestScaleByMarker(t *testing.T) {
	const rows, cols = 900, 800
	f := intake.Film{Rows: rows, Cols: cols, Bits: 12, Pixels: make([]uint16, rows*cols),
		Header: intake.Header{Scale: intake.Scale{Spacing: geom.Spacing{Y: 0.15, X: 0.15}, Detector: geom.Spacing{Y: 0.15, X: 0.15}, Aspect: 1, Basis: "detector"}}}
	for y := range rows {
		for x := range cols {
			v := 800 + x/2 + y%7
			if dx, dy := float64(x)-300.3, float64(y)-420.6; dx*dx+dy*dy < 100*100 {
				v = 4000
			}
			f.Pixels[y*cols+x] = uint16(v)
		}
	}
	s := scaleOf(f, 25)
	if s.basis != "marker" || s.magnification < 1.19 || s.magnification > 1.21 {
		t.Fatalf("basis %s, magnification %v", s.basis, s.magnification)
	}
	if want := 0.15 / 1.2; s.spacing.X < 0.99*want || s.spacing.X > 1.01*want {
		t.Errorf("spacing %v, want %v", s.spacing, want)
	}
	if s := scaleOf(f, 0); s.basis != "detector" || !slices.Contains(s.reasons, measure.ScaleDetector) {
		t.Errorf("without a marker: %+v", s)
	}
	f.Pixels = slices.Repeat([]uint16{1000}, rows*cols)
	if s := scaleOf(f, 25); s.basis != "detector" || !slices.Contains(s.reasons, measure.MarkerNotFound) {
		t.Errorf("no ball: %+v", s)
	}
}
