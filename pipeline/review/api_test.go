package review

import (
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// served makes a server of a run for a reading, behind a guard.
func served(t testing.TB, r run, by Reading) (*Server, *Guard, http.Handler) {
	t.Helper()
	s, err := New(t.Context(), Config{Run: "digest", Femurs: r.femurs, Results: r.results, Films: r.films, Reading: by,
		Thumb: func(source string, frame int) string {
			return filepath.Join(t.TempDir(), fmt.Sprint(source, frame))
		}})
	if err != nil {
		t.Fatal(err)
	}
	g := guard(t)
	return s, g, g.Wrap(s.Handler())
}

// call asks for JSON and reads it into out.
func call(t testing.TB, g *Guard, h http.Handler, method, path string, body any, want int, out any) {
	t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	w := ask(g, h, method, path, string(b), nil)
	if w.Code != want {
		t.Fatalf("%s: %d %.200s, want %d", path, w.Code, w.Body, want)
	}
	if err := json.Unmarshal(w.Body.Bytes(), out); err != nil {
		t.Fatalf("%s: %v: %.200s", path, err, w.Body)
	}
}

type object = map[string]any

// cellOf is a column of a row's answer.
func cellOf(row object, name string) object {
	for _, c := range row["columns"].([]any) {
		if c := c.(object); c["name"] == name {
			return c
		}
	}
	return nil
}

func head(x float64) []job.Correction {
	return []job.Correction{{Kind: job.MoveLandmark, Name: "head_centre", To: [2]float64{x, 5}}}
}

func TestList(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	var l listAnswer
	call(t, g, h, "GET", "/api/list", nil, 200, &l)
	if l.Run != "digest" || l.Reviewer != "ann" || l.Second || l.Count != 4 || len(l.Rows) != 4 {
		t.Fatalf("%+v", l)
	}
	for i, row := range l.Rows {
		f := r.femurs[row.ID].Record
		if row.Rank != i+1 || row.Source != f.Source || row.Side != f.Side || row.Frame != 1 || row.State != Open || row.Reasons != f.Texts[measure.ReviewReasons] || row.Reasons == "" {
			t.Errorf("%d: %+v", i, row)
		}
		if want := map[string]int{"p": 0, "q": 1}[f.PatientKey]; row.Patient != want {
			t.Errorf("%s: patient %d, want %d", row.Source, row.Patient, want)
		}
	}
	call(t, g, h, "POST", "/api/decide/1", asked{State: Accepted}, 200, &object{})
	var p object
	call(t, g, h, "GET", "/api/progress", nil, 200, &p)
	if p["open"] != 3.0 || p["accepted"] != 1.0 || p["corrected"] != 0.0 || p["rejected"] != 0.0 {
		t.Errorf("%v", p)
	}
	call(t, g, h, "GET", "/api/list", nil, 200, &l)
	for _, row := range l.Rows {
		if (row.State == Accepted) != (row.ID == 1) {
			t.Errorf("%+v", row)
		}
	}
}

func TestRow(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	var row object
	call(t, g, h, "GET", "/api/row/0", nil, 200, &row)
	if c := cellOf(row, "neck_shaft_angle_deg"); c["value"] != 125.0 || c["u95"] != 1.5 || c["measured"] != 125.0 || c["unit"] != "deg" || c["digits"] != 2.0 {
		t.Errorf("%v", c)
	}
	if c := cellOf(row, "implant"); c["value"] != "none" || c["u95"] != nil {
		t.Errorf("%v", c)
	}
	if cellOf(row, "review_rank") != nil || cellOf(row, "aldfa_deg") != nil {
		t.Error("columns that are no reading, or were not measured")
	}
	p := row["profile"].([]any)[0].(object)
	if p["level"] != 20.0 || p["lateral"] != 7.0 || p["medial"] != nil || p["outer"] != 30.0 || p["canal"] != nil {
		t.Errorf("profile %v", p)
	}
	if x := row["geometry"].(object)["landmarks"].(object)["head_centre"].(object); x["X"] != 40.0 {
		t.Errorf("%v", x)
	}
	if s := row["reasons"].([]any)[0].(object); s["code"] != string(measure.ScaleDetector) || !strings.HasPrefix(s["sentence"].(string), "No magnification is known") {
		t.Errorf("%v", s)
	}
	if im := row["image"].(object); im["rows"] != 300.0 || im["cols"] != 200.0 {
		t.Errorf("%v", im)
	}
	if d := row["decision"].(object); d["state"] != "open" || d["version"] != 0.0 || len(d["ticks"].(object)) != 0 {
		t.Errorf("nothing is ticked before somebody did: %v", d)
	}
	want := []any{object{"id": 1.0, "why": "other side"}, object{"id": 2.0, "why": "later film"}}
	if fmt.Sprint(row["related"]) != fmt.Sprint(want) {
		t.Errorf("related %v, want %v", row["related"], want)
	}
	call(t, g, h, "GET", "/api/row/2", nil, 200, &row)
	if fmt.Sprint(row["related"]) != fmt.Sprint([]any{object{"id": 0.0, "why": "earlier film"}}) {
		t.Errorf("related %v", row["related"])
	}
	// The second femur of the frame is the left one.
	call(t, g, h, "GET", "/api/row/1", nil, 200, &row)
	if row["femur"] != 2.0 || row["geometry"].(object)["side"] != "L" {
		t.Errorf("femur %v, %v", row["femur"], row["geometry"])
	}
}

// A decision is kept, seen after a reload, and can be undone.
func TestDecideOverTheAPI(t *testing.T) {
	r := archive(t)
	s, g, h := served(t, r, ann)
	told := 0
	s.Changed = func() { told++ }
	var a, row object
	call(t, g, h, "POST", "/api/preview/0", asked{Corrections: head(120)}, 200, &row)
	before := r.worker.count()
	call(t, g, h, "POST", "/api/decide/0", asked{State: Corrected, Corrections: head(120), Note: " head ", Ticks: map[string]string{"general_thickening": Unsure}}, 200, &a)
	if r.worker.count() != before {
		t.Error("what the reader saw was measured once more")
	}
	if a["version"] != 1.0 || a["row"].(object)["decision"].(object)["state"] != "corrected" {
		t.Errorf("%v", a["version"])
	}
	_, g, h = served(t, r, Reading{Reviewer: "ben"}) // another start of the program
	call(t, g, h, "GET", "/api/row/0", nil, 200, &row)
	d := row["decision"].(object)
	if d["state"] != "corrected" || d["note"] != "head" || d["reviewer"] != "ann" || d["ticks"].(object)["general_thickening"] != "unsure" || len(d["corrections"].([]any)) != 1 {
		t.Errorf("%v", d)
	}
	if cellOf(row, "neck_shaft_angle_deg")["value"] != 120.0 || row["geometry"].(object)["landmarks"].(object)["head_centre"].(object)["X"] != 120.0 {
		t.Errorf("%v", row["columns"])
	}
	// Slower by one: told, with the row as it is.
	call(t, g, h, "POST", "/api/decide/0", asked{Version: 0, State: Accepted}, 409, &a)
	if a["error"] == "" || a["row"].(object)["decision"].(object)["state"] != "corrected" {
		t.Errorf("%v", a)
	}
	call(t, g, h, "POST", "/api/undo/0", asked{Version: 1}, 200, &a)
	if a["version"] != 2.0 || a["row"].(object)["decision"].(object)["state"] != "open" || cellOf(a["row"].(object), "neck_shaft_angle_deg")["value"] != 125.0 {
		t.Errorf("%v", a["row"].(object)["decision"])
	}
	call(t, g, h, "POST", "/api/undo/0", asked{Version: 2}, 400, &a)
	if told != 1 {
		t.Errorf("told %d times of one decision", told)
	}
}

func TestBadRequests(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	for name, c := range map[string]struct {
		path string
		body string
		want int
	}{
		"no JSON":                    {"/api/decide/0", `state=accepted`, 400},
		"two values":                 {"/api/decide/0", `{"state":"accepted"} {}`, 400},
		"another type":               {"/api/decide/0", `{"version":"0"}`, 400},
		"no state":                   {"/api/decide/0", `{}`, 400},
		"another state":              {"/api/decide/0", `{"state":"fine"}`, 400},
		"corrected without any":      {"/api/decide/0", `{"state":"corrected"}`, 400},
		"accepted with corrections":  {"/api/decide/0", `{"state":"accepted","corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`, 400},
		"rejected without a reason":  {"/api/decide/0", `{"state":"rejected","reason":" "}`, 400},
		"a reason without rejection": {"/api/decide/0", `{"state":"accepted","reason":"x"}`, 400},
		"another kind":               {"/api/preview/0", `{"corrections":[{"kind":"rotate"}]}`, 400},
		"another tick":               {"/api/decide/0", `{"state":"open","ticks":{"pain":"yes"}}`, 400},
		"another answer":             {"/api/decide/0", `{"state":"open","ticks":{"general_thickening":"maybe"}}`, 400},
		"a long note":                {"/api/decide/0", `{"state":"open","note":"` + strings.Repeat("ä", maxWords+1) + `"}`, 400},
		"many corrections":           {"/api/preview/0", `{"corrections":[` + strings.Repeat(`{"kind":"head_radius"},`, maxCorrections) + `{"kind":"head_radius"}]}`, 400},
		"an edge of many points":     {"/api/preview/0", `{"corrections":[{"kind":"draw_edge","name":"outer_lateral","points":[` + strings.Repeat(`[1,2],`, job.MostPoints) + `[1,2]]}]}`, 400},
		"another run":                {"/api/decide/0", `{"run":"older","state":"accepted"}`, 409},
		"another run in the query":   {"/api/decide/0?run=older", `{"state":"accepted"}`, 409},
		"no such row":                {"/api/decide/4", `{"state":"accepted"}`, 404},
		"not to be corrected":        {"/api/preview/0", `{"corrections":[{"kind":"landmark","name":"patella","to":[1,2]}]}`, 422},
	} {
		w := ask(g, h, "POST", c.path, c.body, nil)
		var a map[string]any
		if err := json.Unmarshal(w.Body.Bytes(), &a); w.Code != c.want || err != nil || a["error"] == "" {
			t.Errorf("%s: %d %.200s, want %d", name, w.Code, w.Body, c.want)
		}
	}
	if w := ask(g, h, "POST", "/api/decide/0", `{"state":"accepted"}`, func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }); w.Code != http.StatusUnsupportedMediaType {
		t.Errorf("plain text: %d", w.Code)
	}
	var p object
	call(t, g, h, "GET", "/api/progress", nil, 200, &p)
	if p["open"] != 4.0 {
		t.Errorf("something was decided: %v", p)
	}
}

// A second reader sees nothing of the first, in no answer.
func TestSecondReaderSeesNothing(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	call(t, g, h, "POST", "/api/decide/0", asked{State: Corrected, Corrections: head(111), Note: "words of the first", Ticks: map[string]string{"general_thickening": Yes}}, 200, &object{})
	call(t, g, h, "POST", "/api/decide/1", asked{State: Rejected, Reason: "reason of the first"}, 200, &object{})
	_, g2, h2 := served(t, r, second)
	for _, path := range []string{"/api/list", "/api/progress", "/api/row/0", "/api/row/1", "/api/row/2"} {
		w := ask(g2, h2, "GET", path, "", nil)
		if w.Code != 200 {
			t.Fatalf("%s: %d", path, w.Code)
		}
		for _, word := range []string{"ann", "first\"", "of the first", "111", `"corrected":1`, `"state":"corrected"`, `"state":"rejected"`, `"general_thickening"`} {
			if strings.Contains(w.Body.String(), word) {
				t.Errorf("%s tells %q", path, word)
			}
		}
	}
	var a object
	call(t, g2, h2, "POST", "/api/decide/0", asked{State: Accepted, Note: "words of the second"}, 200, &a) // version 0 is his newest
	if cellOf(a["row"].(object), "neck_shaft_angle_deg")["value"] != 125.0 {
		t.Errorf("the second reader accepted what the first had corrected: %v", a)
	}
	var l listAnswer
	call(t, g2, h2, "GET", "/api/list", nil, 200, &l)
	if !l.Second {
		t.Error("the page is not told that it is a second reading")
	}
	w := ask(g, h, "GET", "/api/row/0", "", nil)
	if strings.Contains(w.Body.String(), "words of the second") || !strings.Contains(w.Body.String(), "words of the first") {
		t.Errorf("the first reading: %.400s", w.Body)
	}
}

// The page's own files are served, and each of them is of a kind that browsers
// take under nosniff.
func TestPage(t *testing.T) {
	s, g, h := served(t, archive(t), ann)
	w := ask(g, h, "GET", "/", "", nil)
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") || !strings.Contains(w.Body.String(), "<html") {
		t.Fatalf("%d %v", w.Code, w.Header())
	}
	for path, a := range s.assets {
		if a.kind == "" {
			t.Errorf("%s has no media type", path)
		}
		if w := ask(g, h, "GET", path, "", nil); w.Code != 200 || w.Body.Len() == 0 {
			t.Errorf("%s: %d", path, w.Code)
		}
		for _, outside := range []string{"http://", "https://", "//cdn"} {
			text := strings.ReplaceAll(string(a.body), "http://www.w3.org/", "") // names of XML, not addresses
			if strings.Contains(text, outside) {
				t.Errorf("%s names an address outside: %s", path, outside)
			}
		}
	}
}
