package main

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/png"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/job"
)

// reviewing is a running shaftgauge review and a browser's part in it.
type reviewing struct {
	t      testing.TB
	cmd    *exec.Cmd
	base   string
	client *http.Client
}

// startReview starts the program on an output and opens the printed address.
func startReview(t testing.TB, program, out string, flags ...string) *reviewing {
	t.Helper()
	r := &reviewing{t: t, cmd: exec.Command(program, append([]string{"review", out}, flags...)...)}
	said, err := r.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if r.cmd.ProcessState == nil {
			r.cmd.Process.Kill()
			r.cmd.Wait()
		}
	})
	line, err := bufio.NewReader(said).ReadString('\n')
	address := regexp.MustCompile(`http://[0-9.:]+/\?token=\S+`).FindString(line)
	if address == "" {
		t.Fatalf("%q, %v", line, err)
	}
	r.base, _, _ = strings.Cut(address, "/?")
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r.client = &http.Client{Jar: jar}
	answer, err := r.client.Get(address)
	if err != nil || answer.StatusCode != 200 || answer.Request.URL.String() != r.base+"/" {
		t.Fatalf("%+v, %v", answer, err)
	}
	answer.Body.Close()
	return r
}

// end interrupts the program, which must end by itself.
func (r *reviewing) end() {
	r.t.Helper()
	if err := r.cmd.Process.Signal(os.Interrupt); err != nil {
		r.t.Fatal(err)
	}
	if err := r.cmd.Wait(); err != nil {
		r.t.Errorf("review ended with %v", err)
	}
}

// ask asks for bytes; a body makes it a change.
func (r *reviewing) ask(path string, body any) []byte {
	r.t.Helper()
	q, err := http.NewRequest("GET", r.base+path, nil)
	if body != nil {
		b, fails := json.Marshal(body)
		if fails != nil {
			r.t.Fatal(fails)
		}
		q, err = http.NewRequest("POST", r.base+path, bytes.NewReader(b))
		q.Header.Set("Content-Type", "application/json")
		q.Header.Set("Origin", r.base)
		q.Header.Set("X-Shaftgauge", "1")
	}
	if err != nil {
		r.t.Fatal(err)
	}
	answer, err := r.client.Do(q)
	if err != nil {
		r.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != 200 {
		r.t.Fatalf("%s: %d %.300s, %v", path, answer.StatusCode, b, err)
	}
	return b
}

// reviewedRow is what the test reads of a row's answer.
type reviewedRow struct {
	Record   measure.Record
	Geometry measure.Geometry
	Image    struct{ Rows, Cols int }
	Decision struct {
		State   string
		Version int
	}
}

func (r *reviewing) row(id int) (row reviewedRow) {
	r.t.Helper()
	if err := json.Unmarshal(r.ask(fmt.Sprint("/api/row/", id), nil), &row); err != nil {
		r.t.Fatal(err)
	}
	return row
}

// TestReviewWithRealWorker takes a film from measuring to a reviewed value that
// fills a registry: a landmark moved by hand changes the angle by as much as
// geometry says, the decision outlives the program, and measurements.csv stays.
func TestReviewWithRealWorker(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the film worker")
	}
	program := build(t)
	films, _ := simulated(t, 1)
	out := filepath.Join(t.TempDir(), "out")
	shaftgauge(t, program, "measure", films, "-o", out, "--quiet")
	table := read(t, filepath.Join(out, tableName))

	r := startReview(t, program, out, "--reviewer", "ann")
	was := r.row(0)
	nsa, measured := was.Record.Values[measure.NeckShaftAngle]
	if !measured {
		t.Fatalf("no neck-shaft angle: %v", was.Record.Reasons)
	}
	film, err := png.DecodeConfig(bytes.NewReader(r.ask("/api/image/0", nil)))
	if err != nil || film.Width != was.Image.Cols || film.Height != was.Image.Rows || film.Width == 0 {
		t.Errorf("picture %+v, row says %+v: %v", film, was.Image, err)
	}

	// Turn the line from the neck's middle to the head's centre by 7°, away from
	// the shaft.
	neck, head := was.Geometry.Landmarks["neck_centre"], was.Geometry.Landmarks["head_centre"]
	line := geom.PointMM{X: head.X - neck.X, Y: head.Y - neck.Y}
	middle := was.Geometry.Midline
	down := geom.PointMM{X: middle[len(middle)-1].X - middle[0].X, Y: middle[len(middle)-1].Y - middle[0].Y}
	turn := 7 * math.Pi / 180
	if down.Cross(line) < 0 { // clockwise from the shaft's direction the angle grows
		turn = -turn
	}
	sin, cos := math.Sincos(turn)
	corrections := []job.Correction{
		{Kind: job.MoveLandmark, Name: "neck_centre", To: [2]float64{neck.X, neck.Y}},
		{Kind: job.MoveLandmark, Name: "head_centre", To: [2]float64{neck.X + cos*line.X - sin*line.Y, neck.Y + sin*line.X + cos*line.Y}},
	}
	var now reviewedRow
	if err := json.Unmarshal(r.ask("/api/preview/0", map[string]any{"corrections": corrections}), &now); err != nil {
		t.Fatal(err)
	}
	if d := now.Record.Values[measure.NeckShaftAngle].X - nsa.X; math.Abs(d-7) > 0.01 {
		t.Errorf("neck-shaft angle changed by %.3f°, want 7", d)
	}
	r.ask("/api/decide/0", map[string]any{"version": 0, "state": "corrected", "corrections": corrections, "note": "head", "ticks": map[string]string{"general_thickening": "no"}})
	if code := shaftgauge(t, program, "measure", films, "-o", out, "--quiet"); code != exitFatal {
		t.Errorf("measured into an output under review: exit code %d", code)
	}
	r.end()

	if now := read(t, filepath.Join(out, tableName)); !bytes.Equal(now, table) {
		t.Error("measurements.csv changed")
	}
	lines, err := csv.NewReader(bytes.NewReader(read(t, filepath.Join(out, "reviewed.csv")))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cell := func(line []string, name string) string { return line[slices.Index(lines[0], name)] }
	seen := 0
	for _, l := range lines[1:] {
		if cell(l, "basis") != "corrected" || cell(l, "reviewer") != "ann" || cell(l, "reading") != "first" || cell(l, "note") != "head" || cell(l, "reviewed_at") == "" {
			t.Errorf("%q", l)
		}
		switch cell(l, "quantity") {
		case "neck_shaft_angle_deg":
			seen++
			if cell(l, "measured") != fmt.Sprintf("%.3f", nsa.X) || cell(l, "reviewed") != fmt.Sprintf("%.3f", nsa.X+7) || cell(l, "unit") != "deg" {
				t.Errorf("%q", l)
			}
		case "general_thickening":
			seen++
			if cell(l, "answer") != "no" || cell(l, "measured") != "" {
				t.Errorf("%q", l)
			}
		}
	}
	if seen != 2 {
		t.Errorf("%d of the rows looked for", seen)
	}

	r = startReview(t, program, out, "--reviewer", "ben")
	if again := r.row(0); again.Decision.State != "corrected" || again.Decision.Version != 1 || math.Abs(again.Record.Values[measure.NeckShaftAngle].X-nsa.X-7) > 0.01 {
		t.Errorf("after a restart: %+v", again.Decision)
	}
	// Two programs on one output: another reader's is open beside it.
	other := startReview(t, program, out, "--reviewer", "cay", "--second-reader")
	if second := other.row(0); second.Decision.State != "open" || second.Record.Values[measure.NeckShaftAngle] != nsa {
		t.Errorf("a second reader sees %+v", second.Decision)
	}
	other.end()
	r.end()

	// The registry gets the reviewed value.
	run, err := openFinished(out)
	if err != nil {
		t.Fatal(err)
	}
	filled, err := run.films(t.Context())
	if err != nil || len(filled) != 1 || !filled[0].Reviewed || filled[0].Rejected || math.Abs(filled[0].Record.Values[measure.NeckShaftAngle].X-nsa.X-7) > 0.01 {
		t.Errorf("%+v, %v", filled, err)
	}
	// Measured again with nothing changed, the decision still holds.
	shaftgauge(t, program, "measure", films, "-o", out, "--quiet")
	if filled, err = run.films(t.Context()); err != nil || !filled[0].Reviewed {
		t.Errorf("after another run: %v", err)
	}
}
