package film

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

var settings = job.Settings{MaxPixels: 1 << 26, MaxFrames: 4}

// measured writes a scene's film into a DICOM file and measures it.
func measured(t *testing.T, f simulate.Film) job.Answer {
	t.Helper()
	path := filepath.Join(t.TempDir(), "film.dcm")
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if err := dicomfile.Write(out, f, dicomfile.ExplicitLittleEndian, dicomfile.Options{}); err != nil {
		t.Fatal(err)
	}
	return Measure(context.Background(), job.Job{Path: path, Source: "film.dcm", Config: settings})
}

// Films of exactly known truth, from file to row. The limits are the 95th
// percentiles asked on unseen films, so a film may come close to them but not
// pass them by far. The simulator is independent of the detector: its truth is
// the tangent rays of the bone's surfaces.
func TestMeasureSimulatedFilms(t *testing.T) {
	for i, group := range []string{"ap_full", "ap_hip", "lat_full", "turned", "inverted"} {
		t.Run(group, func(t *testing.T) {
			s := simulate.Draw(rand.New(rand.NewPCG(78, uint64(i))), group)
			f := s.Render()
			a := measured(t, f)
			if len(a.Femurs) != 1 {
				t.Fatalf("%d rows, want 1: %+v", len(a.Femurs), a.Femurs)
			}
			r, truth := a.Femurs[0].Record, f.Truth.Femurs[0]
			if r.View != truth.View || r.Side != "" && r.Side != truth.Side {
				t.Errorf("side %q view %q, truth %q %q; reasons %v", r.Side, r.View, truth.Side, truth.View, r.Reasons)
			}
			if r.Status == measure.StatusNotMeasured {
				t.Fatalf("not measured: %v", r.Reasons)
			}
			compared := 0
			for _, level := range measure.Levels {
				for _, q := range []measure.Quantity{measure.CortexAt(truth.View, true, level), measure.CortexAt(truth.View, false, level), measure.OuterWidthAt(level)} {
					got, ok := r.Values[q]
					want, known := truth.Values[q]
					if !ok || !known || r.LevelOrigin != truth.LevelOrigin {
						continue
					}
					compared++
					if e := math.Abs(got.X - want); e > 1 {
						t.Errorf("%s = %.2f ± %.2f, truth %.2f", q, got.X, got.U95, want)
					}
				}
			}
			if compared < 6 && f.Truth.ScaleBasis != "none" {
				t.Errorf("only %d columns to compare; reasons %v", compared, r.Reasons)
			}
			if got, want := r.Values[measure.BowCurvature].X, truth.Values[measure.BowCurvature]; math.Abs(got-want) > 0.08 {
				t.Errorf("curvature %.3f, truth %.3f per m", got, want)
			}
		})
	}
}

// A film whose header calls dark what is bright is measured as the same film with the
// right header, and its rows say so; exchanging twice leaves every pixel as it was.
func TestExchangedPolarity(t *testing.T) {
	f := simulate.Draw(rand.New(rand.NewPCG(78, 0)), "ap_full").Render()
	want := measured(t, f).Femurs[0].Record
	for i, v := range f.Pixels {
		f.Pixels[i] = 1<<f.Bits - 1 - v
	}
	got := measured(t, f).Femurs[0].Record
	if slices.Contains(want.Reasons, measure.PolarityConflict) || !slices.Contains(got.Reasons, measure.PolarityConflict) {
		t.Errorf("reasons %v, exchanged %v", want.Reasons, got.Reasons)
	}
	if len(want.Values) < 20 {
		t.Errorf("only %d numbers", len(want.Values))
	}
	for q, w := range want.Values {
		if v, ok := got.Values[q]; !ok || math.Abs(v.X-w.X) > 0.2*w.U95 {
			t.Errorf("%s = %v, exchanged %v", q, w, v)
		}
	}

	for _, padded := range []bool{false, true} {
		frame := intake.Film{Pixels: []uint16{0, 1, 2, 4094, 4095}, Bits: 12, Padded: padded}
		exchange(frame)
		if once := frame.Pixels; once[1] <= once[3] || padded && once[0] != 0 {
			t.Errorf("padded %v: %v", padded, once)
		}
		if exchange(frame); !slices.Equal(frame.Pixels, []uint16{0, 1, 2, 4094, 4095}) {
			t.Errorf("padded %v, twice: %v", padded, frame.Pixels)
		}
	}
}

// Every film has a row, and the same film the same row.
func TestRowsOfBadFiles(t *testing.T) {
	dir := t.TempDir()
	for name, content := range map[string][]byte{"empty": nil, "text": []byte("not a film"), "cut.dcm": append(make([]byte, 128), "DICM\x02\x00"...)} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		a := Measure(context.Background(), job.Job{Path: path, Source: name, Config: settings})
		if len(a.Femurs) != 1 || a.Femurs[0].Record.Status != measure.StatusNotMeasured || len(a.Femurs[0].Record.Reasons) == 0 {
			t.Errorf("%s: %+v", name, a.Femurs)
		}
	}
	a := Measure(context.Background(), job.Job{Path: filepath.Join(dir, "absent"), Source: "absent", Config: settings})
	if len(a.Femurs) != 1 || !slices.Contains(a.Femurs[0].Record.Reasons, measure.UnreadableFile) {
		t.Errorf("absent: %+v", a.Femurs)
	}
}
