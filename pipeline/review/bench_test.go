package review

import (
	"fmt"
	"net/http"
	"testing"

	"shaftgauge/measure"
)

// BenchmarkList5000 is the list of 5,000 rows, each decided on, as the page loads
// it: packed.
func BenchmarkList5000(b *testing.B) {
	r := archive(b)
	r.femurs = nil
	for i := range 5000 {
		f := femur(fmt.Sprint("patient", i/3), fmt.Sprint(i/2), "20200101", []measure.Side{measure.Right, measure.Left}[i%2], 125)
		f.Record.Source = fmt.Sprintf("HV%06d/20200101/film-%06d.dcm", i/3, i)
		r.femurs = append(r.femurs, f)
	}
	measure.Review(r.femurs, measure.Pairs(r.femurs))
	s, g, h := served(b, r, ann)
	tx, err := r.results.DB().Begin()
	if err != nil {
		b.Fatal(err)
	}
	for i, name := range s.rows.names {
		if _, err := tx.Exec(`INSERT INTO decision (run, film, source, frame, femur, reading, stream, version, reviewer, at, kind, state, before, after)
			VALUES ('digest', '', ?, ?, ?, 'first', '', 1, 'ann', '2026-01-01T00:00:00Z', 'decide', ?, '{}', '{}')`,
			name.Source, name.Frame, name.N, []State{Accepted, Rejected, Open}[i%3]); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for b.Loop() {
		w := ask(g, h, "GET", "/api/list", "", func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") })
		if w.Code != 200 {
			b.Fatal(w.Code)
		}
		b.ReportMetric(float64(w.Body.Len())/1024, "KB")
	}
}

// BenchmarkRow is one row with its geometry and profile.
func BenchmarkRow(b *testing.B) {
	_, g, h := served(b, archive(b), ann)
	for b.Loop() {
		if w := ask(g, h, "GET", "/api/row/0", "", nil); w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
}
