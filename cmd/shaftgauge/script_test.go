package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/job"
)

// The scripts run the front command against a worker that reads words, not
// films: what it does with a film is written in the film. The real worker is
// tested where it can be built, see worker_test.go.
func TestMain(m *testing.M) {
	testscript.Main(tidied{m}, map[string]func(){
		"shaftgauge": main,
		"filmworker": func() {
			if err := job.Serve(os.Stdin, os.NewFile(job.AnswerFD, "answers"), wordWorker); err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
		},
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", Cmds: map[string]func(*testscript.TestScript, bool, []string){
		"exitcode": func(ts *testscript.TestScript, _ bool, args []string) { // exitcode WANT COMMAND ARG...
			err := ts.Exec(args[1], args[2:]...)
			got := "0"
			if err != nil {
				got = strings.TrimPrefix(err.Error(), "exit status ")
			}
			if got != args[0] {
				ts.Fatalf("exit code %s, want %s", got, args[0])
			}
		},
	}})
}

// wordWorker measures a film of words.
func wordWorker(_ context.Context, j job.Job) job.Answer {
	b, err := os.ReadFile(j.Path)
	if err != nil {
		return job.NotMeasured(j.Source, measure.UnreadableFile)
	}
	r := measure.Record{Source: j.Source, Frame: 1, Status: measure.StatusMeasured, Side: measure.Right, View: measure.AP,
		StudyUID: "1.2.840.99", StudyDate: "20240229", PatientKey: "key"}
	switch words := string(b); {
	case strings.Contains(words, "crash"):
		os.Exit(3)
	case strings.Contains(words, "hang"):
		time.Sleep(time.Hour)
	case strings.Contains(words, "interrupt"): // as a person does meanwhile
		syscall.Kill(os.Getppid(), syscall.SIGINT)
		time.Sleep(time.Second)
	case strings.Contains(words, "slow"):
		time.Sleep(200 * time.Millisecond)
	case strings.Contains(words, "unreadable"):
		return job.NotMeasured(j.Source, measure.UnreadableFile)
	}
	if strings.Contains(string(b), "left") {
		r.Side = measure.Left
	}
	if strings.Contains(string(b), "later") {
		r.StudyUID, r.StudyDate = "1.2.840.100", "20250301"
	}
	var bumps []measure.Focal
	if strings.Contains(string(b), "bump") {
		bumps = []measure.Focal{{Level: measure.Value{X: 92, U95: 1}, Height: measure.Value{X: 1.8, U95: 0.3}}}
	}
	r.Set("neck_shaft_angle_deg", float64(100+len(b)), 3)
	r.Set("bow_radius_mm", float64(1000+len(b)), 3)
	g := &measure.Geometry{Source: j.Source, Frame: 1, Side: r.Side, View: r.View, Midline: []geom.PointPx{{X: 1, Y: 2}, {X: 3, Y: 4}}}
	a := job.Answer{Source: j.Source, Femurs: []measure.Femur{{Record: r, Geometry: g, Focal: bumps, Profile: []measure.ProfileRow{{LevelMM: 30, OuterWidthMM: 29}}}}}
	if j.Config.Picture > 0 {
		a.Pictures = []job.Picture{{Frame: 1, Rows: 8, Cols: 8, Scale: 0.1, Grey: make([]byte, 64)}}
	}
	return a
}
