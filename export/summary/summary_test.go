package summary

import (
	"bytes"
	"image"
	"image/png"
	"io"
	"strings"
	"testing"

	"shaftgauge/measure"
)

func TestPage(t *testing.T) {
	femurs := make([]measure.Femur, 3)
	for i, side := range []measure.Side{"R", "L", ""} {
		r := &femurs[i].Record
		*r = measure.Record{Source: "films/" + string("abc"[i]), Frame: 1, Side: side, View: "AP", Status: measure.StatusMeasured, StudyUID: "1.2"}
		r.Set(measure.NeckShaftAngle, 125+float64(i), 1)
		r.Set(measure.ReviewRank, float64(3-i), 0)
		r.Set(measure.VisibleTo, 300, 1)
	}
	femurs[0].Record.Texts = map[string]string{measure.ReviewReasons: "bow radius 1200 mm, apex lateral"}
	last := &femurs[2].Record
	last.Status, last.Values = measure.StatusNotMeasured, nil
	last.AddReason(measure.ScaleDetector) // of the header
	last.AddReason(measure.BlankImage)    // what stopped it
	last.Set(measure.ReviewRank, 1, 0)
	last.Texts = map[string]string{measure.ReviewReasons: "<not measured>"}
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 800, 400))); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	err := WriteHTML(&b, Run{Version: "v1", Films: 3, Femurs: femurs, Pairs: measure.Pairs(femurs), Picture: func(r *measure.Record) (io.ReadCloser, error) {
		if r.Source == "films/a" {
			return nil, nil
		}
		return io.NopCloser(bytes.NewReader(picture.Bytes())), nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	s := b.String()
	for _, want := range []string{"3 films, 3 rows", "<h3>blank_image: 1</h3>", "&lt;not measured&gt;", "data:image/jpeg;base64,", "No picture was kept",
		"Fischer et al. 2020", "1 pairs of sides", "films/c AP", "films/a R AP", "circle fitted to the mid-points"} {
		if !strings.Contains(s, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Index(s, "films/c AP") > strings.Index(s, "films/a R AP") {
		t.Error("the films are not in the review order")
	}
	for _, never := range []string{"<script", "src=\"http", "href=\"http", "NaN",
		"films/b L AP",                // no reason to look at it first
		`aria-label="visible_to_mm`} { // tells of the film, not of a bone
		if strings.Contains(s, never) {
			t.Errorf("the page has %q", never)
		}
	}
}

func TestEmptyRun(t *testing.T) {
	var b bytes.Buffer
	if err := WriteHTML(&b, Run{}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "Every row has a measurement.") {
		t.Error(b.String())
	}
}
