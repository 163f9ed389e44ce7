package study

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// peakFlow are Bland and Altman's first readings by the two instruments, as the
// program's and a reader's angles. Source: Lancet 327 (1986) 307–310, table 1.
var peakFlow = [2][]float64{
	{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427},
	{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}}

func records() (out []measure.Record) {
	for i, x := range peakFlow[0] {
		r := measure.Record{Source: fmt.Sprintf("film-%02d", i), Frame: 1, Side: measure.Right}
		r.Set(measure.NeckShaftAngle, x, 1)
		r.Set(measure.FocalCount, float64(i%2), 0)
		r.Set(measure.ReviewRank, float64(i+1), 0)
		out = append(out, r)
	}
	return out
}

func readings() string {
	var b strings.Builder
	fmt.Fprintln(&b, "reader,source,neck_shaft_angle_deg,focal")
	for i, x := range peakFlow[1] {
		fmt.Fprintf(&b, "first,film-%02d,%g,%d\n", i, x, (i+1)%2)
		fmt.Fprintf(&b, "second,film-%02d,%g,%s\n", i, x+float64(i%3), map[bool]string{true: "yes", false: "no"}[i < 3])
	}
	return b.String()
}

func TestStudyOfPeakFlow(t *testing.T) {
	rec := records()
	read, err := Read(strings.NewReader(readings()), rec)
	if err != nil {
		t.Fatal(err)
	}
	r := Analyse(read, rec)
	if err := r.Check(); err != nil {
		t.Fatal(err)
	}
	c := r.Quantities[0].Comparisons[0]
	if c.First != Program || c.Second != "first" || len(c.X) != 17 {
		t.Fatalf("first comparison is %s with %s on %d films", c.First, c.Second, len(c.X))
	}
	if got := fmt.Sprintf("%.1f %.1f", c.Limits.Bias, c.Limits.SD); got != "-2.1 38.8" { // as printed in the paper
		t.Errorf("bias and SD are %s", got)
	}
	// Every second film is graded as the other way round, by hand: 8 of 17 yes of
	// the program, 9 of the reader, none shared.
	g := r.Findings[0].Gradings[0]
	if d := g.Detection; d.TP != 0 || d.TN != 0 || d.FP != 8 || d.FN != 9 {
		t.Errorf("detection %+v", *d)
	}
	// The second reader's three findings head the order.
	g = r.Findings[0].Gradings[1]
	if g.Second != "second" || g.Curve == nil || g.Curve.Area != 1 || g.Load[3].Caught != 3 {
		t.Errorf("grading against %s: %+v", g.Second, g)
	}
	var b bytes.Buffer
	if err := WriteHTML(&b, r, "v1"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"-2.12 (-22.05\u00a0to\u00a017.81)", "<svg role=\"img\"", "Films read"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page has no %q", want)
		}
	}
	for _, never := range []string{"http://", "https://", "<script"} {
		if strings.Contains(strings.ReplaceAll(b.String(), "http://www.w3.org/", ""), never) {
			t.Errorf("the page has %q", never)
		}
	}
}

func TestRepeatsAndPanel(t *testing.T) {
	rec := records()[:4]
	var b strings.Builder
	fmt.Fprintln(&b, "reader,source,side,bow_angle_deg")
	for i := range rec {
		rec[i].Set(measure.BowAngle, float64(i), 1)
		for _, d := range []float64{0, 1} {
			fmt.Fprintf(&b, "a,film-%02d,R,%g\nb,film-%02d,R,%g\n", i, float64(i)+d, i, float64(2*i)-d)
		}
	}
	read, err := Read(strings.NewReader(b.String()), rec)
	if err != nil {
		t.Fatal(err)
	}
	q := Analyse(read, rec).Quantities[0]
	if len(q.Repeats) != 2 || q.Repeats[0].Films != 4 || fmt.Sprintf("%.4f", q.Repeats[0].SD) != "0.7071" { // √½
		t.Errorf("repeats %+v", q.Repeats)
	}
	if q.Panel == nil || q.Panel.N != 4 || q.Panel.K != 2 {
		t.Errorf("panel %+v", q.Panel)
	}
}

func TestReadingsRefused(t *testing.T) {
	rec := append(records(), measure.Record{Source: "film-00", Frame: 1, Side: measure.Left})
	for name, text := range map[string]string{
		"no rows":        "reader,source,focal\n",
		"unknown column": "reader,source,hue\na,film-01,1\n",
		"no reader":      "source,focal\nfilm-01,1\n",
		"no film":        "reader,source,focal\na,other,1\n",
		"nameless film":  "reader,source,focal\na,,1\n",
		"two femurs":     "reader,source,focal\na,film-00,1\n",
		"grade":          "reader,source,focal\na,film-01,12\n",
		"number":         "reader,source,bow_angle_deg\na,film-01,NaN\n",
		"the program":    "reader,source,focal\nshaftgauge,film-01,1\n",
		"twice":          "reader,source,focal,focal\na,film-01,1,1\n",
		"ragged":         "reader,source,focal\na,film-01\n",
	} {
		if _, err := Read(strings.NewReader(text), rec); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// A reader's table as a spreadsheet set to German saves it: semicolons, decimal
// commas, empty rows at the end (common practice, no source).
func TestReadingsOfASpreadsheet(t *testing.T) {
	read, err := Read(strings.NewReader("\ufeffreader;source;neck_shaft_angle_deg;focal\r\nfirst;film-03;131,5;ja\r\n"), records())
	if err == nil {
		t.Fatalf("graded %v", read.Grades)
	}
	read, err = Read(strings.NewReader("\ufeffreader;source ;neck_shaft_angle_deg;focal\r\nfirst;film-03;131,5;1\r\n;;;\r\n; ;;\r\n"), records())
	if err != nil {
		t.Fatal(err)
	}
	if got := read.Values[measure.NeckShaftAngle][3]["first"]; len(got) != 1 || got[0] != 131.5 || len(read.Readers) != 1 {
		t.Errorf("read %v of %v", got, read.Readers)
	}
}
