package review

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/source"
)

// The test binary plays the film worker of the run that is reviewed: a film of
// these tests is a file that holds its femurs as JSON.
const playWorker = "SHAFTGAUGE_TEST_WORKER"

func TestMain(m *testing.M) {
	if os.Getenv(playWorker) == "" {
		os.Exit(m.Run())
	}
	answer := func(_ context.Context, j job.Job) job.Answer {
		var a job.Answer
		b, err := os.ReadFile(j.Path)
		if err != nil || json.Unmarshal(b, &a) != nil {
			return job.NotMeasured(j.Source, measure.UnreadableFile)
		}
		return a.WithSource(j.Source)
	}
	if err := job.Serve(os.Stdin, os.NewFile(job.AnswerFD, "answers"), answer); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// femur is a row of a patient's film, angle its neck-shaft angle.
func femur(patient, study, day string, side measure.Side, angle float64) measure.Femur {
	r := measure.Record{Frame: 1, StudyUID: study, PatientKey: patient, StudyDate: day, Side: side, View: measure.AP, Status: measure.StatusMeasured,
		Reasons: []measure.Reason{measure.ScaleDetector}, PixelMM: 0.15, LevelOrigin: "lesser_trochanter", Texts: map[string]string{"implant": "none"}}
	r.Set(measure.NeckShaftAngle, angle, 1.5)
	r.Set(measure.BowCurvature, -0.25, 0.1)
	nan := math.NaN()
	return measure.Femur{Record: r,
		Geometry: &measure.Geometry{Frame: 1, Side: side, View: measure.AP, Midline: []geom.PointPx{{X: 10, Y: 1}, {X: 11, Y: 200}},
			Landmarks: map[string]geom.PointPx{"head_centre": {X: 40, Y: 10}}},
		Profile: []measure.ProfileRow{{LevelMM: 20, PositiveCortexMM: 7, PositiveCortexU95MM: 0.5, NegativeCortexMM: nan, NegativeCortexU95MM: nan,
			OuterWidthMM: 30, OuterWidthU95MM: 0.2, CanalWidthMM: nan, CanalWidthU95MM: nan, MidlineOffsetMM: 1}},
		Focal: []measure.Focal{{Level: measure.Value{X: 92, U95: 2}, Height: measure.Value{X: 1.8, U95: 0.4}, Surface: "periosteal", Line: measure.LucentLine{State: "not_seen"}}},
	}
}

// run is a finished run to review.
type run struct {
	femurs  []measure.Femur
	results *pipeline.Results
	films   *Films
	worker  *fakeWorker
}

// kept is a Sink that keeps all rows.
type kept struct{ femurs []measure.Femur }

func (k *kept) Begin() error                                              { return nil }
func (k *kept) Film(context.Context, job.Answer) error                    { return nil }
func (k *kept) Restore(context.Context, job.Answer, string) (bool, error) { return true, nil }
func (k *kept) Put(_ context.Context, a job.Answer) error {
	for _, f := range a.Femurs {
		f.Geometry, f.Profile = nil, nil
		k.femurs = append(k.femurs, f)
	}
	return nil
}

// measured runs a batch over films, each of the femurs given, in dir.
func measured(t testing.TB, dir string, films map[string][]measure.Femur, order []string) run {
	t.Helper()
	var list source.Listing
	for _, name := range order {
		path := filepath.Join(dir, name)
		b, err := json.Marshal(job.Answer{Femurs: films[name], Pictures: []job.Picture{{Frame: 1, FilmRows: 300, FilmCols: 200}}})
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		list.Files = append(list.Files, source.File{Path: path, Source: name})
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ledger := filepath.Join(dir, "ledger.sqlite")
	sink := &kept{}
	summary, err := pipeline.Run(t.Context(), pipeline.Config{
		Film: job.Settings{MaxPixels: 1 << 20, MaxFrames: 1}, Workers: 1, TimeLimit: time.Minute, MemoryLimit: 1 << 30, MaxBytes: 1 << 20, Ledger: ledger,
		Worker: func() *exec.Cmd {
			cmd := exec.Command(self)
			cmd.Env = append(os.Environ(), playWorker+"=1")
			return cmd
		}}, list.Files, sink)
	if err != nil {
		t.Fatal(err)
	}
	out := run{femurs: sink.femurs, worker: &fakeWorker{}}
	measure.Review(out.femurs, measure.Pairs(out.femurs))
	if out.results, err = pipeline.OpenResults(ledger); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.results.Close() })
	digests := make(map[string]string)
	for _, f := range summary.Films {
		digests[f.Source] = f.SHA256
	}
	out.films = &Films{Measurer: out.worker, Digests: digests, MaxBytes: 1 << 20, Algorithm: job.Algorithm,
		List: func(context.Context) (source.Listing, error) { return list, nil }}
	return out
}

// archive is a run of a patient's two legs, a later film, and another's film.
func archive(t testing.TB) run {
	return measured(t, t.TempDir(), map[string][]measure.Femur{
		"first.dcm": {femur("p", "1", "20200101", measure.Right, 125), femur("p", "1", "20200101", measure.Left, 127)},
		"later.dcm": {femur("p", "2", "20210101", measure.Right, 126)},
		"other.dcm": {femur("q", "3", "20200101", measure.Left, 131)},
	}, []string{"first.dcm", "later.dcm", "other.dcm"})
}

// fakeWorker answers readings: with the head at (x, y) the neck-shaft angle is x,
// and the canal flare index is gone.
type fakeWorker struct {
	mu   sync.Mutex
	jobs []job.Job
	hold chan struct{} // when set: each job waits for one
}

func (w *fakeWorker) Measure(ctx context.Context, j job.Job) (job.Answer, error) {
	w.mu.Lock()
	w.jobs = append(w.jobs, j)
	hold := w.hold
	w.mu.Unlock()
	if hold != nil {
		select {
		case <-hold:
		case <-ctx.Done():
			return job.Answer{}, ctx.Err()
		}
	}
	a := job.Answer{Source: j.Source}
	if j.Inspection.Pixels {
		a.Pixels = []byte("\x89PNG of " + j.Source)
		return a, nil
	}
	b, err := os.ReadFile(j.Path)
	if err != nil {
		return a, err
	}
	if err := json.Unmarshal(b, &a); err != nil {
		return a, err
	}
	a.Pictures = nil
	a = a.WithSource(j.Source)
	r := j.Inspection
	for _, c := range r.Corrections {
		if c.Name != "head_centre" {
			a.Femurs, a.Refused = nil, "film: no landmark of this name"
			return a, nil
		}
		a.Femurs[r.Femur-1].Record.Set(measure.NeckShaftAngle, c.To[0], 2)
		a.Femurs[r.Femur-1].Geometry.Landmarks["head_centre"] = geom.PointPx{X: c.To[0], Y: c.To[1]}
		delete(a.Femurs[r.Femur-1].Record.Values, measure.BowCurvature)
	}
	return a, nil
}

func (w *fakeWorker) count() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.jobs)
}
