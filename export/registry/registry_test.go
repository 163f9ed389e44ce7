package registry

import (
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

const harrowVale = `
match:
  patient: {column: number, issuer: HV}
  date: {column: injury, layout: DD.MM.YYYY, days_before: 1, days_after: 30}
  side: {column: leg, right: [R, right], left: [L, left]}
fill:
  - {column: nsa, quantity: neck_shaft_angle_deg, view: AP, digits: 1}
  - {column: bow, quantity: bow_angle_deg, view: LAT}
`

// plain stands for the keyed hash: films carry issuer/number.
type plain struct{}

func (plain) Patient(issuer, number string) string { return issuer + "/" + number }
func (plain) Accession(number string) string       { return "accession " + number }

func film(source, patient, date string, side measure.Side, view measure.View, q measure.Quantity, x, u95 float64) Film {
	f := Film{Record: measure.Record{Source: source, Frame: 1, PatientKey: plain{}.Patient("HV", patient), StudyDate: date, Side: side, View: view}}
	f.Record.Set(q, x, u95)
	return f
}

func fill(t *testing.T, text string, table [][]string, films ...Film) Result {
	t.Helper()
	m, err := ReadMap(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	r, err := Fill(table, m, films, plain{}, "v1")
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestFillOnlyEmptyCells(t *testing.T) {
	nsa := measure.NeckShaftAngle
	headless := film("headless", "5", "20260203", "R", "AP", measure.BowAngle, 3, 1)
	headless.Record.Reasons = []measure.Reason{measure.ScaleDetector, measure.HeadNotFound, measure.NeckNotFound, measure.CondylesNotFound}
	r := fill(t, harrowVale, [][]string{
		{"number", "injury", "leg", "nsa", "note", "bow"},
		{"1", "03.02.2026", "right", "", "a", ""},
		{"1", "03.02.2026", "left", "", "b", ""},
		{"2", "03.02.2026", "R", "128", "c", ""},
		{"2", "03.02.2026", "L", "120.0", "d", "9"},
		{"3", "03.02.2026", "L", "", "e", ""},
		{"", "03.02.2026", "L", "", "f", ""},
		{"1", "3 Feb", "L", "", "g", ""},
		{"1", "03.02.2026", "both", "", "h", ""},
		{"4", "03.02.2026", "R", "", "i", ""},
		{"5", "03.02.2026", "R", "", "j", ""},
	},
		film("far", "1", "20260220", "R", "AP", nsa, 131, 0.5),
		film("near", "1", "20260204", "R", "AP", nsa, 129.26, 0.84),
		film("early", "1", "20260201", "R", "AP", nsa, 111, 0.1), // two days before: not allowed
		film("lateral", "1", "20260203", "R", "LAT", measure.BowAngle, 8.125, 0.25),
		film("right only", "2", "20260203", "R", "AP", nsa, 128.9, 1),
		film("left", "2", "20260203", "L", "AP", nsa, 128.9, 1),
		film("late", "4", "20260403", "R", "AP", nsa, 128.9, 1),
		headless,
	)
	want := []string{
		"number,injury,leg,nsa,nsa_film,nsa_u95,nsa_reviewed,nsa_version,note,bow,bow_film,bow_u95,bow_reviewed,bow_version",
		"1,03.02.2026,right,129.3,near#1 R,0.84,no,v1,a,8.12,lateral#1 R,0.250,no,v1",
		"1,03.02.2026,left,,,,,,b,,,,,",
		"2,03.02.2026,R,128,,,,,c,,,,,",
		"2,03.02.2026,L,120.0,,,,,d,9,,,,",
	}
	for i, w := range want {
		if got := strings.Join(r.Table[i], ","); got != w {
			t.Errorf("row %d\n got %s\nwant %s", i+1, got, w)
		}
	}
	audit := map[int]Line{}
	for _, l := range r.Audit {
		if l.Column == "nsa" {
			audit[l.Row] = l
		}
	}
	for row, want := range map[int]struct {
		action Action
		why    string
	}{
		2:  {Filled, ""},
		3:  {Refused, "no film of this side"},
		4:  {Kept, ""},
		5:  {Disagrees, "differs by 8.9, combined uncertainty 1"},
		6:  {Refused, "no film of this patient or accession number"},
		7:  {Refused, "the row has no patient number"},
		8:  {Refused, `the row's date "3 Feb" is not of the form DD.MM.YYYY`},
		9:  {Refused, `the row's side "both" is neither right nor left`},
		10: {Refused, "no film within the days allowed"},
		11: {Refused, "not measured on the film: head_not_found neck_not_found"}, // of its reasons those that this angle hangs on
	} {
		if l := audit[row]; l.Action != want.action || l.Why != want.why {
			t.Errorf("row %d: %s %q, want %s %q", row, l.Action, l.Why, want.action, want.why)
		}
	}
	if r.Count[Filled] != 2 || r.Count[Disagrees] != 1 {
		t.Errorf("counts %v", r.Count)
	}
}

func TestPreference(t *testing.T) {
	q := measure.NeckShaftAngle
	table := [][]string{{"number", "nsa"}, {"1", ""}}
	films := []Film{
		film("b", "1", "20260101", "R", "AP", q, 120, 2),
		film("a", "1", "20260101", "R", "AP", q, 121, 1),
		film("c", "1", "20260101", "R", "AP", q, 122, 3),
	}
	films[2].Reviewed = true
	for prefer, want := range map[string]string{
		"[reviewed, smallest_u95]": "122",
		"[smallest_u95, reviewed]": "121",
		"[]":                       "121", // by name
	} {
		text := "match: {patient: {column: number, issuer: HV}}\nfill: [{column: nsa, quantity: neck_shaft_angle_deg, digits: 0}]\nprefer: " + prefer
		for range 2 {
			if r := fill(t, text, table, films...); r.Table[1][1] != want {
				t.Errorf("prefer %s took %s, want %s", prefer, r.Table[1][1], want)
			}
			slices.Reverse(films)
		}
	}
}

func TestAccession(t *testing.T) {
	f := film("a", "9", "20260101", "R", "AP", measure.NeckShaftAngle, 127, 1)
	f.Record.AccessionKey = plain{}.Accession("A77")
	r := fill(t, "match: {accession: {column: acc}}\nfill: [{column: nsa, quantity: neck_shaft_angle_deg}]",
		[][]string{{"acc", "nsa"}, {"A77", ""}, {"A78", ""}}, f)
	if r.Table[1][1] != "127.00" || r.Table[2][1] != "" {
		t.Errorf("filled %v", r.Table)
	}
}

// Without a column for the side nothing tells which of two legs a row means: neither is
// filled, as the contract has left and right never swapped in silence.
func TestBothLegsWithoutSide(t *testing.T) {
	const by = "match: {patient: {column: n, issuer: HV}}\nfill: [{column: nsa, quantity: neck_shaft_angle_deg, digits: 0}]"
	right := film("a", "9", "20260101", "R", "AP", measure.NeckShaftAngle, 127, 1)
	left := film("b", "9", "20260101", "L", "AP", measure.NeckShaftAngle, 131, 0.5)
	r := fill(t, by, [][]string{{"n", "nsa"}, {"9", ""}, {"9", "150"}}, right, left)
	if r.Table[1][1] != "" || !strings.Contains(r.Audit[0].Why, "both legs") || r.Audit[1].Action != Kept {
		t.Errorf("%v, %+v", r.Table, r.Audit)
	}
	left.Rejected = true
	if r := fill(t, by, [][]string{{"n", "nsa"}, {"9", ""}}, right, left); r.Table[1][1] != "127" {
		t.Errorf("one leg: %v", r.Table)
	}
}

// A bow on a lateral film is the anterior one, on an AP film the lateral one (the
// contract's bow_plane): without a view nothing tells which a column is for.
func TestBothViewsWithoutView(t *testing.T) {
	const by = "match: {patient: {column: n, issuer: HV}}\nfill: [{column: bow, quantity: bow_radius_mm, digits: 0}]"
	ap := film("a", "9", "20260101", "R", "AP", measure.BowRadius, 3000, 200)
	lateral := film("b", "9", "20260101", "R", "LAT", measure.BowRadius, 900, 20)
	r := fill(t, by, [][]string{{"n", "bow"}, {"9", ""}}, ap, lateral)
	if r.Table[1][1] != "" || !strings.Contains(r.Audit[0].Why, "both views") {
		t.Errorf("%v, %+v", r.Table, r.Audit)
	}
	if r := fill(t, by, [][]string{{"n", "bow"}, {"9", ""}}, lateral); r.Table[1][1] != "900" {
		t.Errorf("one view: %v", r.Table)
	}
}

// Spreadsheets save nameless columns behind the last one; a zero has no sign.
func TestNamelessColumnsAndZero(t *testing.T) {
	const by = "match: {patient: {column: n, issuer: HV}}\nfill: [{column: bow, quantity: bow_angle_deg, digits: 1}]"
	r := fill(t, by, [][]string{{"n", "bow", "", ""}, {"9", "", "x", ""}},
		film("a", "9", "20260101", "R", "AP", measure.BowAngle, -0.04, 0.5))
	if got := strings.Join(r.Table[1], ","); got != "9,0.0,a#1 R,0.50,no,v1,x," {
		t.Errorf("%s", got)
	}
}

func TestMapRefused(t *testing.T) {
	for name, text := range map[string]string{
		"unknown key":      harrowVale + "colour: red\n",
		"no key":           "match: {side: {column: s, right: [R], left: [L]}}\nfill: [{column: a, quantity: bow_angle_deg}]",
		"nothing to fill":  "match: {patient: {column: n}}\nfill: []",
		"unknown quantity": "match: {patient: {column: n}}\nfill: [{column: a, quantity: bow}]",
		"identifying":      "match: {patient: {column: n}}\nfill: [{column: n, quantity: bow_angle_deg}]",
		"twice":            "match: {patient: {column: n}}\nfill: [{column: a, quantity: bow_angle_deg}, {column: a, quantity: bow_angle_deg}]",
		"rule":             "match: {patient: {column: n}}\nfill: [{column: a, quantity: bow_angle_deg}]\nprefer: [best]",
		"layout":           "match: {patient: {column: n}, date: {column: d, layout: DD.MMM.YY}}\nfill: [{column: a, quantity: bow_angle_deg}]",
		"side":             "match: {patient: {column: n}, side: {column: s}}\nfill: [{column: a, quantity: bow_angle_deg}]",
		"view":             "match: {patient: {column: n}}\nfill: [{column: a, quantity: bow_angle_deg, view: PA}]",
		"not YAML":         "match: [",
	} {
		if _, err := ReadMap(strings.NewReader(text)); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestTableRefused(t *testing.T) {
	m, err := ReadMap(strings.NewReader("match: {patient: {column: n}}\nfill: [{column: a, quantity: bow_angle_deg}]"))
	if err != nil {
		t.Fatal(err)
	}
	for name, table := range map[string][][]string{
		"empty":       nil,
		"no column":   {{"n"}},
		"twice":       {{"n", "a", "a"}},
		"filled once": {{"n", "a", "a_film"}},
		"ragged":      {{"n", "a"}, {"1"}},
	} {
		if _, err := Fill(table, m, nil, plain{}, ""); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Where a country writes numbers with a comma, so are filled ones, and held ones
// are read so. A header keeps its blanks, which do not count.
func TestDecimalComma(t *testing.T) {
	r := fill(t, harrowVale+"decimal: ','\n", [][]string{
		{"number", "injury", "leg", " nsa ", "bow"},
		{"1", "03.02.2026", "R", "", ""},
		{"2", "03.02.2026", "R", "129,3", ""},
		{"2", "03.02.2026", "R", "129.3", ""},
	},
		film("=a", "1", "20260203", "R", "AP", measure.NeckShaftAngle, 129.26, 0.84), // no formula for a spreadsheet
		film("b", "2", "20260203", "R", "AP", measure.NeckShaftAngle, 129.26, 0.84))
	for i, w := range []string{" nsa ;nsa_film;nsa_u95;nsa_reviewed;nsa_version", "129,3;'=a#1 R;0,84;no;v1", "129,3;;;;", "129.3;;;;"} {
		if got := strings.Join(r.Table[i][3:8], ";"); got != w {
			t.Errorf("row %d\n got %s\nwant %s", i+1, got, w)
		}
	}
	if r.Count[Kept] != 2 || r.Count[Disagrees] != 0 {
		t.Errorf("%v", r.Count)
	}
	if _, err := ReadMap(strings.NewReader(harrowVale + "decimal: ;\n")); err == nil {
		t.Error("a semicolon for a decimal mark")
	}
}
