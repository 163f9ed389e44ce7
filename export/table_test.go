package export

import (
	"bytes"
	"encoding/csv"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"shaftgauge/measure"
)

var update = flag.Bool("update", false, "rewrite golden files")

// golden compares got with testdata/name, byte for byte.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s changed (go test ./export -update if meant)\ngot:\n%s\nwant:\n%s", path, got, want)
	}
}

// records are one measured femur, one whose header attacks a spreadsheet, and
// one film that could not be read.
func records() []measure.Record {
	a := apTube().femur().Record
	a.InstanceUID, a.SeriesUID, a.StudyUID = "2.25.1", "2.25.2", "2.25.3"
	a.PatientKey, a.StudyDate, a.Magnification = "9f3c", "20260114", 1.0714
	b := measure.Record{Source: "=HYPERLINK(\"http://x\")", Frame: 2, StudyUID: "+1", InstanceUID: "@SUM(1)", SeriesUID: "a;-1+1\n=2",
		StudyDate: "not a date", View: measure.AP, Status: measure.StatusPartial, Reasons: []measure.Reason{measure.SideUnknown}}
	b.Set("shaft_axis_deg", -0.0001, math.NaN())
	b.Set("bow_curvature_per_m", math.NaN(), 1)
	b.Set("bow_sagitta_mm", math.Inf(1), 1)
	c := measure.Record{Source: "films/truncated.dcm", Frame: 1, Status: measure.StatusNotMeasured, Reasons: []measure.Reason{measure.UnreadableFile}}
	return []measure.Record{a, b, c}
}

func TestMeasurementsGolden(t *testing.T) {
	var b bytes.Buffer
	if err := Measurements.WriteRows(&b, slices.Values(records())); err != nil {
		t.Fatal(err)
	}
	golden(t, "measurements.csv", b.Bytes())
}

// RFC 4180, section 2: lines end in CRLF (1, 2), every line has as many fields
// as the header (4), and fields with quotes are quoted with the quotes doubled
// (6, 7).
func TestTableFormat(t *testing.T) {
	var b bytes.Buffer
	if err := Measurements.WriteRows(&b, slices.Values(records())); err != nil {
		t.Fatal(err)
	}
	s := b.String()
	if !utf8.ValidString(s) || strings.HasPrefix(s, "\ufeff") {
		t.Error("not UTF-8 without a byte order mark")
	}
	if n := strings.Count(s, "\r\n"); n != 4 || strings.Count(s, "\n") != n || strings.Count(s, "\r") != n || !strings.HasSuffix(s, "\r\n") {
		t.Error("lines are not ended by CR LF")
	}
	if !strings.Contains(s, `"'=HYPERLINK(""http://x"")"`) {
		t.Error("quotes are not doubled")
	}
	r := csv.NewReader(&b)
	rows, err := r.ReadAll() // an error where a line has another number of fields
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		for i, cell := range row {
			if strings.Contains(cell, "NaN") || strings.Contains(cell, "Inf") {
				t.Errorf("%s = %q", rows[0][i], cell)
			}
		}
	}
	get := func(row int, col string) string {
		i := slices.Index(rows[0], col)
		if i < 0 {
			t.Fatalf("no column %s", col)
		}
		return rows[row][i]
	}
	for _, test := range []struct {
		row       int
		col, want string
	}{
		{1, "bow_radius_mm", decimal(1190.4, digitsOf(t, "bow_radius_mm"))},
		{1, "reasons", "diaphysis_cut;scale_lower_bound"},
		{1, "study_date", "20260114"},
		{2, "study_date", "not a date"},
		{2, "bow_curvature_per_m", ""},
		{2, "bow_curvature_per_m_u95", ""},
		{2, "bow_sagitta_mm", ""},
		{2, "shaft_axis_deg", decimal(0, digitsOf(t, "shaft_axis_deg"))},
		{2, "shaft_axis_deg_u95", ""},
		{2, "study_uid", "'+1"},
		{2, "instance_uid", "'@SUM(1)"},
		{2, "series_uid", `a;'-1+1\x0A'=2`},
		{3, "pixel_mm", ""},
		{3, "magnification", ""},
		{3, "status", "not_measured"},
	} {
		if got := get(test.row, test.col); got != test.want {
			t.Errorf("row %d %s = %q, want %q", test.row, test.col, got, test.want)
		}
	}
}

func digitsOf(t *testing.T, name string) int {
	t.Helper()
	i := slices.IndexFunc(measure.Columns, func(c measure.Column) bool { return c.Name == name })
	if i < 0 {
		t.Fatalf("no column %s", name)
	}
	return measure.Columns[i].Digits
}

// A column that no cell rule knows would stay empty for ever.
func TestEveryRecordFieldHasAColumn(t *testing.T) {
	r := measure.Record{Source: "s", Frame: 7, InstanceUID: "i", SeriesUID: "e", StudyUID: "t", PatientKey: "k", StudyDate: "20260102",
		Side: "R", SideBasis: "tag", View: "AP", ViewBasis: "anatomy", Status: "partial", Reasons: []measure.Reason{"x"},
		PixelMM: 0.1, ScaleBasis: "none", Magnification: 1.1, LevelOrigin: "shaft_top", BowPlane: "coronal"}
	want := map[string]string{"source": "s", "frame": "7", "instance_uid": "i", "series_uid": "e", "study_uid": "t", "patient_key": "k",
		"study_date": "20260102", "side": "R", "side_basis": "tag", "view": "AP", "view_basis": "anatomy", "status": "partial",
		"reasons": "x", "scale_basis": "none", "level_origin": "shaft_top", "bow_plane": "coronal"}
	seen := 0
	for _, col := range Measurements.columns {
		got, _ := cells(col.cell(&r), col.Digits)
		if w, ok := want[col.Name]; ok {
			seen++
			if got != w {
				t.Errorf("%s = %q, want %q", col.Name, got, w)
			}
		}
		if (col.Name == "pixel_mm" || col.Name == "magnification") && got == "" {
			t.Errorf("%s is empty", col.Name)
		}
	}
	if seen != len(want) {
		t.Errorf("%d of %d fields have a column", seen, len(want))
	}
}

// Source of the attacks: OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection).
func TestSafeText(t *testing.T) {
	for _, test := range []struct{ in, want string }{
		{"", ""},
		{"hip/IM0001.dcm", "hip/IM0001.dcm"},
		{"1.2.840.10008.1.1", "1.2.840.10008.1.1"},
		{"a-b+c=d@e", "a-b+c=d@e"},
		{`=cmd|' /C calc'!A0`, `'=cmd|' /C calc'!A0`},
		{"+1", "'+1"},
		{"-2+3+cmd", "'-2+3+cmd"},
		{"@SUM(A1)", "'@SUM(A1)"},
		{"\t=1", `'\x09'=1`},
		{"\r=1", `'\x0D'=1`},
		{"\n=1", `'\x0A'=1`},
		{"  =1", "  '=1"},
		{"＝1", "'＝1"},
		{"x,=1", "x,'=1"},
		{"x;=1", "x;'=1"},
		{`x"=1`, `x"'=1`},
		{"'=1", "''=1"},
		{"nul\x00", `nul\x00`},
		{"latin\xe9", `latin\xE9`},
		{"Älter", "Älter"},
	} {
		if got := SafeText(test.in); got != test.want {
			t.Errorf("SafeText(%q) = %q, want %q", test.in, got, test.want)
		}
	}
}

// However a spreadsheet splits the text, no part of it begins a formula, and
// nothing but apostrophes was put in.
func TestSafeTextProperty(t *testing.T) {
	split := regexp.MustCompile(`[,;\t|"\r\n]`)
	formula := regexp.MustCompile("^[ \u00a0]*[=+\\-@\t\r\n＝＋－＠]")
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.StringOfN(rapid.SampledFrom([]rune("=+-@\t\r\n ,;|\"'a1＝é")), 0, 12, -1).Draw(t, "text")
		out := SafeText(in)
		for _, part := range split.Split(out, -1) {
			if formula.MatchString(part) {
				t.Fatalf("SafeText(%q) = %q: %q begins a formula", in, out, part)
			}
		}
		plain := strings.NewReplacer("'", "", "\t", `\x09`, "\r", `\x0D`, "\n", `\x0A`).Replace(in)
		if got := strings.ReplaceAll(out, "'", ""); got != plain {
			t.Fatalf("SafeText(%q) = %q: text was changed", in, out)
		}
	})
}

// What is written is what a CSV reader reads.
func TestTableRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := measure.Record{Source: rapid.String().Draw(t, "source"), Frame: 1, StudyUID: rapid.String().Draw(t, "uid"), Status: measure.StatusPartial}
		x := rapid.Float64().Draw(t, "x")
		r.Set("shaft_axis_deg", x, math.Abs(x)/10)
		var b bytes.Buffer
		if err := Measurements.WriteRows(&b, slices.Values([]measure.Record{r})); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%d rows, %v", len(rows), err)
		}
		if got := rows[1][slices.Index(rows[0], "source")]; got != SafeText(r.Source) {
			t.Fatalf("source %q came back as %q", r.Source, got)
		}
		if got := rows[1][slices.Index(rows[0], "study_uid")]; got != SafeText(r.StudyUID) {
			t.Fatalf("uid %q came back as %q", r.StudyUID, got)
		}
	})
}

func TestDecimal(t *testing.T) {
	for _, test := range []struct {
		x      float64
		digits int
		want   string
	}{
		{1.25, 1, "1.2"}, // to even, as the binary value is exact
		{-0.04, 1, "0.0"},
		{-0.06, 1, "-0.1"},
		{0, 2, "0.00"},
		{1234.5678, 2, "1234.57"},
		{math.NaN(), 2, ""},
		{math.Inf(-1), 2, ""},
	} {
		if got := decimal(test.x, test.digits); got != test.want {
			t.Errorf("decimal(%g, %d) = %q, want %q", test.x, test.digits, got, test.want)
		}
	}
	for _, test := range []struct {
		u      float64
		digits int
		want   string
	}{
		{0.301, 1, "0.4"}, {0.3, 1, "0.3"}, {0.1 + 0.2, 1, "0.3"}, {0.07, 2, "0.07"}, {10.47, 0, "11"}, // the last: JCGM 100:2008, 7.2.6
		{0, 2, "0.00"}, {-1, 2, ""}, {math.NaN(), 2, ""},
	} {
		if got := decimalUp(test.u, test.digits); got != test.want {
			t.Errorf("decimalUp(%g, %d) = %q, want %q", test.u, test.digits, got, test.want)
		}
	}
}
