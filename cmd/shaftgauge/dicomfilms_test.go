package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// rampFilm is a film of every grey value, stored as f's facts and o say.
func rampFilm(t *testing.T, uid string, change func(*simulate.Film, *dicomfile.Options)) []byte {
	t.Helper()
	f := simulate.Film{Rows: 64, Cols: 96, Bits: 12, Pixels: make([]uint16, 64*96),
		Facts: simulate.Facts{Object: simulate.ComputedRadiography, Modality: "CR",
			ImagerPixelSpacing: geom.Spacing{Y: 0.15, X: 0.14}, WindowCenter: 1500, WindowWidth: 2000,
			PatientID: "HV-0001", Issuer: "HARROW VALE", PatientName: "ELSWICK^FLORA", StudyDate: "20240229",
			StudyUID: "2.25.1", SeriesUID: "2.25.12", InstanceUID: uid}}
	for i := range f.Pixels {
		f.Pixels[i] = uint16(i * 4095 / (len(f.Pixels) - 1))
	}
	var o dicomfile.Options
	change(&f, &o)
	var b bytes.Buffer
	if err := dicomfile.Write(&b, f, dicomfile.ExplicitLittleEndian, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func plain(*simulate.Film, *dicomfile.Options) {}

// rowOf is a measured femur on frame 1 of an image.
func rowOf(source, uid string) measure.Femur {
	f := measure.Femur{Record: measure.Record{Source: source, Frame: 1, InstanceUID: uid, SeriesUID: "2.25.12", StudyUID: "2.25.1",
		Side: measure.Right, View: measure.AP, Status: measure.StatusPartial, LevelOrigin: "lesser_trochanter"}}
	f.Record.Set(measure.NeckShaftAngle, 127.5, 2.5)
	return f
}

func lineOf(source string) *measure.Geometry {
	return &measure.Geometry{Source: source, Frame: 1, Side: measure.Right, View: measure.AP,
		Midline: []geom.PointPx{{X: 40, Y: 5}, {X: 42.25, Y: 60.5}}}
}

// measuredFilms is a folder of films and the output of a run over it, as
// measure leaves it.
type measuredFilms struct {
	films, out string
	report     report
	femurs     []measure.Femur
}

func newMeasured(t *testing.T) *measuredFilms {
	t.Helper()
	m := &measuredFilms{films: filepath.Join(t.TempDir(), "films"), out: t.TempDir()}
	m.report = report{Program: "shaftgauge", Version: "1.2.3", Algorithm: "shaft/0", Finished: time.Date(2024, 3, 1, 12, 0, 0, 0, time.UTC),
		Sources: []string{m.films}, Settings: defaultSettings()}
	if err := os.MkdirAll(m.films, 0o755); err != nil {
		t.Fatal(err)
	}
	return m
}

func writeTo(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// film adds a film with its rows, geometry and overlay.
func (m *measuredFilms) film(t *testing.T, content []byte, femurs ...measure.Femur) {
	t.Helper()
	name := femurs[0].Record.Source
	writeTo(t, filepath.Join(m.films, name), content)
	m.measured(t, content, femurs...)
}

// measured adds what a run holds of a film.
func (m *measuredFilms) measured(t *testing.T, content []byte, femurs ...measure.Femur) {
	t.Helper()
	name := femurs[0].Record.Source
	sum := sha256.Sum256(content)
	m.report.Inputs = append(m.report.Inputs, pipeline.FilmSummary{Source: name, SHA256: hex.EncodeToString(sum[:])})
	m.femurs = append(m.femurs, femurs...)
	for i := range femurs {
		if femurs[i].Record.Status == measure.StatusNotMeasured {
			continue
		}
		var b bytes.Buffer
		if err := export.WriteGeometry(&b, lineOf(name)); err != nil {
			t.Fatal(err)
		}
		writeTo(t, filepath.Join(m.out, geometryDir, export.FemurName(name, 1, i+1)+".json"), b.Bytes())
	}
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 33, 21))); err != nil {
		t.Fatal(err)
	}
	writeTo(t, filepath.Join(m.out, overlayDir, export.FrameName(name, 1)+".png"), b.Bytes())
}

// finish writes run.json and the rows.
func (m *measuredFilms) finish(t *testing.T) {
	t.Helper()
	if err := writeRows(m.out, m.femurs); err != nil {
		t.Fatal(err)
	}
	err := export.WriteFileAtomic(filepath.Join(m.out, runName), func(w io.Writer) error { return export.WriteJSON(w, m.report) })
	if err != nil {
		t.Fatal(err)
	}
}
