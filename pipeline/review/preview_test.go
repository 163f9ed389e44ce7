package review

import (
	"encoding/json"
	"net/http"
	"slices"
	"testing"
	"time"

	"shaftgauge/measure"
)

func TestPreview(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	var row object
	call(t, g, h, "POST", "/api/preview/1", asked{Corrections: head(133)}, 200, &row)
	if c := cellOf(row, "neck_shaft_angle_deg"); c["value"] != 133.0 || c["u95"] != 2.0 || c["measured"] != 127.0 || c["measured_u95"] != 1.5 {
		t.Errorf("%v", c)
	}
	if c := cellOf(row, "bow_curvature_per_m"); c["value"] != nil || c["measured"] != -0.25 {
		t.Errorf("a number that the correction took away: %v", c)
	}
	j := r.worker.jobs[0]
	if j.Source != "first.dcm" || j.Inspection.Femur != 2 || j.Inspection.Frame != 1 || j.Config.Picture != 0 {
		t.Errorf("%+v", j)
	}
	var again object
	call(t, g, h, "GET", "/api/row/1", nil, 200, &again)
	if d := again["decision"].(object); d["version"] != 0.0 || cellOf(again, "neck_shaft_angle_deg")["value"] != 127.0 {
		t.Errorf("a preview was kept: %v", d)
	}
	// Identity stays that of the row.
	if rec := row["record"].(object); rec["patient_key"] != "p" || rec["study_uid"] != "1" || rec["texts"].(object)["review_reasons"] != r.femurs[1].Record.Texts[measure.ReviewReasons] {
		t.Errorf("%v", rec)
	}
}

// Of several previews of one row that wait, the last one is measured.
func TestPreviewsSupersede(t *testing.T) {
	r := archive(t)
	r.worker.hold = make(chan struct{})
	_, g, h := served(t, r, ann)
	type outcome struct{ x, code int }
	done := make(chan outcome)
	for x := 1; x <= 3; x++ {
		go func() {
			b, _ := json.Marshal(asked{Corrections: head(float64(x))})
			done <- outcome{x, ask(g, h, "POST", "/api/preview/0", string(b), nil).Code}
		}()
		for r.worker.count() < x { // it waits at the worker
			time.Sleep(time.Millisecond)
		}
	}
	var early []int
	for range 2 {
		o := <-done
		if o.code != http.StatusTooManyRequests {
			t.Errorf("preview %d: %d", o.x, o.code)
		}
		early = append(early, o.x)
	}
	slices.Sort(early)
	close(r.worker.hold)
	if o := <-done; !slices.Equal(early, []int{1, 2}) || o.x != 3 || o.code != 200 {
		t.Errorf("ended early %v, then %+v", early, o)
	}
}
