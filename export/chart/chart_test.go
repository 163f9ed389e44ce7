package chart

import (
	"encoding/xml"
	"html/template"
	"io"
	"math"
	"strings"
	"testing"

	"shaftgauge/measure/agreement"
)

// wellFormed checks s as XML and that its label holds what.
func wellFormed(t *testing.T, s template.HTML, what string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(string(s)))
	for {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if !strings.Contains(string(s), what) {
		t.Errorf("no %q in %.200s", what, s)
	}
}

func TestCharts(t *testing.T) {
	x, y := []float64{1, 2, 3, 4}, []float64{1, 3, 2, 5}
	l, err := agreement.BlandAltman(x, y)
	if err != nil {
		t.Fatal(err)
	}
	c, err := agreement.Area(x, []bool{false, true, false, true})
	if err != nil {
		t.Fatal(err)
	}
	for what, draw := range map[string]func() (template.HTML, error){
		"bias -0.25":                      func() (template.HTML, error) { return Differences("A <b>", "mm", x, y, l) },
		"Area 0.750":                      func() (template.HTML, error) { return Operating("R", c) },
		"first half of the order holds 0": func() (template.HTML, error) { return Load("L", agreement.Workload([]bool{false, true})) },
		"2 values. Published range 1 to 3 (x).": func() (template.HTML, error) {
			return Distribution("D", "mm", []float64{1, math.NaN(), 2}, []Range{{1, 3, "x"}})
		},
		"4 pairs": func() (template.HTML, error) { return Sides("S", "mm", x, y) },
	} {
		s, err := draw()
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, s, what)
	}
	for _, draw := range []func() (template.HTML, error){
		func() (template.HTML, error) { return Distribution("D", "mm", []float64{math.Inf(1)}, nil) },
		func() (template.HTML, error) { return Sides("S", "mm", nil, nil) },
		func() (template.HTML, error) { return Load("L", agreement.Workload(nil)) },
	} {
		if s, err := draw(); s != "" || err != nil {
			t.Errorf("nothing to draw gave %.50q, %v", s, err)
		}
	}
}
