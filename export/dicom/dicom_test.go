package dicom

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// program is what the tests' objects were measured by.
var program = Program{Version: "0.0 test", Algorithm: "shaft/0", Written: time.Date(2024, 3, 1, 9, 30, 15, 0, time.UTC)}

// header is a film of the invented Harrow Vale service.
func header(class, modality string) Header {
	return Header{
		PatientName: "ASHDOWN^AVIS", PatientID: "HV000123", IssuerOfPatientID: "HARROWVALE",
		PatientBirthDate: "19480517", PatientSex: "F",
		StudyUID: "2.25.11", StudyDate: "20240229", StudyTime: "100000", StudyID: "1", AccessionNumber: "HVA77",
		ReferringPhysician: "CORVANE^EDWIN", Institution: "Harrow Vale fracture service (invented)",
		SeriesUID: "2.25.12", InstanceUID: "2.25.13", ClassUID: class, Modality: modality,
		Rows: 3000, Cols: 2000, Frames: 1, Spacing: [2]float64{0.14, 0.14}, Photometric: "MONOCHROME2",
		WindowCentre: "2048", WindowWidth: "4096",
	}
}

const (
	computedRadiography = "1.2.840.10008.5.1.4.1.1.1"
	digitalRadiography  = "1.2.840.10008.5.1.4.1.1.1.1"
	fluoroscopy         = "1.2.840.10008.5.1.4.1.1.12.2"
	secondaryCapture    = "1.2.840.10008.5.1.4.1.1.7"
)

// fullRow is a femur that has every quantity of its view, each with a number of
// its own.
func fullRow(side measure.Side, view measure.View) measure.Femur {
	f := measure.Femur{Record: measure.Record{
		Source: "film.dcm", Frame: 1, InstanceUID: "2.25.13", SeriesUID: "2.25.12", StudyUID: "2.25.11",
		Side: side, SideBasis: measure.ByTag, View: view, ViewBasis: measure.ByTag, Status: measure.StatusMeasured,
		PixelMM: 0.125, ScaleBasis: "calibrated", LevelOrigin: "lesser_trochanter", BowPlane: "coronal",
		Texts: map[string]string{"focal_surface": "periosteal", "lucent_line": "seen", "implant": "none"},
	}}
	if view == measure.Lateral {
		f.Record.BowPlane = "sagittal"
	}
	n := 0
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		if _, ok := concepts[q]; !ok || !measure.Gives(view, q) {
			continue
		}
		n++
		u := 0.0
		if col.Uncertain {
			u = 0.1 + float64(n)/50
		}
		f.Record.Set(q, (float64(n)+0.2345)*map[bool]float64{true: 1, false: -1}[n%3 > 0], u)
	}
	if view == measure.AP {
		f.Record.Set(measure.FocalCount, 2, 0)
		f.Focal = []measure.Focal{
			{Level: measure.Value{X: 40.5, U95: 1}, Height: measure.Value{X: 0.8, U95: 0.2}, Length: measure.Value{X: 12, U95: 2}, OuterShare: measure.Value{X: 0.9, U95: 0.1}, Surface: "periosteal", SNR: 6.125,
				Line: measure.LucentLine{State: "not_seen", FloorMM: 0.375}},
			{Level: measure.Value{X: 92, U95: 1}, Height: measure.Value{X: 1.8, U95: 0.2}, Length: measure.Value{X: 21, U95: 2}, OuterShare: measure.Value{X: 0.7, U95: 0.1}, Surface: "both", SNR: 9,
				Line: measure.LucentLine{State: "seen", Depth: measure.Value{X: 0.6, U95: 0.1}, Angle: measure.Value{X: -4.5, U95: 3}, Contrast: 5.5, FloorMM: 0.25}},
		}
	} else {
		f.Nails = []measure.NailFit{{Name: "Vale 11 long", TipGap: measure.Value{X: -1.25, U95: 0.8}}}
	}
	f.Geometry = drawing(&f.Record)
	return f
}

// drawing is a shaft from top to bottom with all that can be drawn on it.
func drawing(r *measure.Record) *measure.Geometry {
	g := &measure.Geometry{Source: r.Source, Frame: r.Frame, Side: r.Side, View: r.View,
		Contours:  map[string][]geom.PointPx{},
		Landmarks: map[string]geom.PointPx{"lesser_trochanter": {X: 1080, Y: 500}, "head_centre": {X: 1300, Y: 200}, "neck_centre": {X: 1180, Y: 330}, "condyle_lateral": {X: 850, Y: 2900}, "condyle_medial": {X: 1250, Y: 2890}},
		Circles:   map[string]measure.CirclePx{"head": {C: geom.PointPx{X: 1300, Y: 200}, R: 170}, "bow": {C: geom.PointPx{X: 9000, Y: 1500}, R: 8000}},
		Levels:    map[string][2]geom.PointPx{"isthmus": {{X: 900, Y: 1400}, {X: 1100, Y: 1402}}},
	}
	for i, label := range []string{"30", "50", "100", "150"} {
		y := 740 + 160*float64(i)
		g.Levels[label] = [2]geom.PointPx{{X: 890, Y: y}, {X: 1110, Y: y + 2}}
	}
	for y := 520.0; y < 2700; y += 7.75 {
		x := 1000 + 40*math.Sin((y-520)/2180*math.Pi)
		g.Midline = append(g.Midline, geom.PointPx{X: x, Y: y})
		for name, dx := range map[string]float64{"outer_lateral": -110, "inner_lateral": -60, "inner_medial": 60, "outer_medial": 110} {
			g.Contours[name] = append(g.Contours[name], geom.PointPx{X: x + dx, Y: y})
		}
	}
	if r.View == measure.AP {
		g.Focal = []measure.FocalPx{
			{LevelMM: 40.5, HeightMM: 0.8, From: geom.PointPx{X: 890, Y: 800}, To: geom.PointPx{X: 892, Y: 890}, Peak: geom.PointPx{X: 885, Y: 845}},
			{LevelMM: 92, HeightMM: 1.8, From: geom.PointPx{X: 895, Y: 1200}, To: geom.PointPx{X: 897, Y: 1350}, Peak: geom.PointPx{X: 886, Y: 1270}},
		}
	}
	return g
}

// needTool skips the test, by name, where a reference tool is missing.
func needTool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not installed", name)
	}
}

// write writes an object to a file of its own.
func write(t *testing.T, object func(*bytes.Buffer) (string, error)) string {
	t.Helper()
	var b bytes.Buffer
	if _, err := object(&b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "object.dcm")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func writeReport(t *testing.T, f Film) string {
	return write(t, func(b *bytes.Buffer) (string, error) { return WriteReport(b, f, program) })
}

// validate runs dciodvfy, the validator of dicom3tools, which finds no error.
func validate(t *testing.T, path string) {
	t.Helper()
	needTool(t, "dciodvfy")
	out, err := exec.Command("dciodvfy", path).CombinedOutput()
	for line := range strings.Lines(string(out)) {
		if strings.HasPrefix(line, "Error") {
			t.Error(line)
		} else {
			t.Log(line)
		}
	}
	if err != nil {
		t.Errorf("dciodvfy: %v", err)
	}
}

// films are the kinds of film that objects are written for.
func films() map[string]Film {
	all := map[string]Film{}
	one := func(name string, h Header, femurs ...measure.Femur) {
		all[name] = Film{Header: h, Source: "film.dcm", Femurs: femurs}
	}
	one("AP", header(computedRadiography, "CR"), fullRow(measure.Right, measure.AP))
	one("lateral", header(digitalRadiography, "DX"), fullRow(measure.Left, measure.Lateral))
	both := []measure.Femur{fullRow(measure.Right, measure.AP), fullRow(measure.Left, measure.AP)}
	one("both sides", header(digitalRadiography, "DX"), both...)

	refused := fullRow(measure.Right, measure.AP)
	refused.Record.Values, refused.Record.Status = nil, measure.StatusNotMeasured
	refused.Record.Reasons = []measure.Reason{measure.ShaftDiscontinuous, measure.HeadNotFound}
	refused.Focal, refused.Geometry = nil, nil
	one("refused", header(secondaryCapture, "OT"), refused)

	unknown := fullRow("", measure.AP)
	unknown.Record.View = ""
	unknown.Record.Reasons = []measure.Reason{measure.SideUnknown, measure.ViewUnknown, measure.BowNotResolved}
	delete(unknown.Record.Values, measure.BowRadius)
	one("side and view unknown", header(computedRadiography, "CR"), unknown)

	smooth := fullRow(measure.Left, measure.AP)
	smooth.Focal, smooth.Geometry.Focal = nil, nil
	smooth.Record.Set(measure.FocalCount, 0, 0)
	for _, q := range []measure.Quantity{measure.FocalLevel, measure.FocalHeight, measure.FocalLength, measure.FocalSNR, measure.LucentLineDepthFraction, measure.LucentLineAngle} {
		delete(smooth.Record.Values, q)
	}
	smooth.Record.Reasons = []measure.Reason{measure.ImplantPresent, measure.CondylesNotFound}
	delete(smooth.Record.Values, measure.AnatomicLateralDistal)
	one("no thickening", header(digitalRadiography, "DX"), smooth)

	frames := header(fluoroscopy, "RF")
	frames.Frames = 3
	second := fullRow(measure.Right, measure.AP)
	second.Record.Frame = 2
	one("second frame", frames, second)

	corrected := fullRow(measure.Right, measure.AP)
	before := corrected.Record
	before.Values = maps.Clone(before.Values)
	corrected.Record.Set(measure.NeckShaftAngle, 128.5, 0.75)
	delete(before.Values, measure.BowAngle)
	delete(corrected.Record.Values, measure.HeadDiameter)
	reviewed := Film{Header: header(computedRadiography, "CR"), Source: "film.dcm", Femurs: []measure.Femur{corrected, both[1]}}
	at := time.Date(2024, 3, 2, 8, 0, 0, 0, time.UTC)
	reviewed.Review = map[int]*Review{
		0: {Reviewer: "DUNMERE^CLEMENT", Organization: "Harrow Vale", At: at, Note: "Two landmarks moved.", Before: &before},
		1: {Reviewer: "ELSWICK^FLORA", At: at, Rejected: "leg turned too far"},
	}
	all["reviewed"] = reviewed
	return all
}

func TestReportIsValid(t *testing.T) {
	for name, f := range films() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			validate(t, writeReport(t, f))
		})
	}
}

var _ = fmt.Sprint

func TestPresentationIsValid(t *testing.T) {
	for name, f := range films() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if name == "refused" {
				if _, err := WritePresentation(new(bytes.Buffer), f, program); !errors.Is(err, ErrNothingDrawn) {
					t.Errorf("%v, want %v", err, ErrNothingDrawn)
				}
				return
			}
			validate(t, write(t, func(b *bytes.Buffer) (string, error) { return WritePresentation(b, f, program) }))
		})
	}
}

func TestCaptureIsValid(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 41, 31))
	validate(t, write(t, func(b *bytes.Buffer) (string, error) { return WriteCapture(b, films()["AP"], program, 1, img) }))
}
