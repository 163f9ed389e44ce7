package review

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"sync"

	"shaftgauge/measure"
	"shaftgauge/pipeline"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/source"
)

// Measurer has one film measured. [pipeline.Single] is the real one.
type Measurer interface {
	Measure(ctx context.Context, j job.Job) (job.Answer, error)
}

// Films finds the films of a run again and has them read by the worker.
type Films struct {
	Measurer  Measurer
	Settings  job.Settings      // of the run
	Digests   map[string]string // SHA-256 of each film as it was measured, by source
	MaxBytes  int64
	Algorithm string // that the run was measured by

	// List lists the films of the run's sources as the run did. It is called
	// once, when the first film is asked for.
	List func(context.Context) (source.Listing, error)

	once   sync.Once
	listed map[string]source.File
	failed error

	mu       sync.Mutex
	checked  map[string]stamp                   // by source: files whose content is the run's
	images   []picture                          // the latest asked for last
	previews map[string]context.CancelCauseFunc // by row: ends the latest
	last     corrected
}

// stamp tells whether a file may have changed since it was read.
type stamp struct {
	size, modified int64
}

// picture is a frame as a 16-bit PNG.
type picture struct {
	source string
	frame  int
	png    []byte
}

// imagesKept are the frames kept to be shown again: the one looked at, those
// beside it, and the next.
const imagesKept = 6

// corrected is the last femur that was measured with corrections.
type corrected struct {
	key   string
	femur measure.Femur
}

// refusal is an error whose text is for the person at the page.
type refusal struct{ text string }

func (r refusal) Error() string { return r.text }

// errSuperseded ends a preview whose row has a newer one.
var errSuperseded = errors.New("review: a newer preview was asked for")

// find returns the file of a film, whose content must be what was measured.
func (f *Films) find(ctx context.Context, name string) (source.File, error) {
	f.once.Do(func() {
		l, err := f.List(context.WithoutCancel(ctx))
		if err != nil {
			f.failed = err
			return
		}
		f.listed, f.checked, f.previews = make(map[string]source.File), make(map[string]stamp), make(map[string]context.CancelCauseFunc)
		for _, file := range l.Files {
			f.listed[file.Source] = file
		}
	})
	if f.failed != nil {
		return source.File{}, refusal{fmt.Sprintf("the films of this run cannot be found: %v; start the review in the folder that measure was run in", f.failed)}
	}
	file, ok := f.listed[name]
	if !ok {
		return source.File{}, refusal{"this film is no longer where it was when it was measured"}
	}
	if file.Refused != "" {
		return source.File{}, refusal{"this file was not read when it was measured, and is not now: " + string(file.Refused)}
	}
	info, err := os.Stat(file.Path)
	if err != nil {
		return source.File{}, refusal{"this film is no longer where it was when it was measured"}
	}
	now := stamp{info.Size(), info.ModTime().UnixNano()}
	f.mu.Lock()
	known, ok := f.checked[name]
	f.mu.Unlock()
	if ok && known == now {
		return file, nil
	}
	have, err := pipeline.Digest(file, f.MaxBytes)
	if err != nil {
		return source.File{}, refusal{"this film cannot be read"}
	}
	if have != f.Digests[name] {
		return source.File{}, refusal{"this film has changed since it was measured: what was found on it is not shown on another picture"}
	}
	f.mu.Lock()
	f.checked[name] = now
	f.mu.Unlock()
	return file, nil
}

// ask has the worker read one frame of a film.
func (f *Films) ask(ctx context.Context, name string, i job.Inspection) (job.Answer, error) {
	file, err := f.find(ctx, name)
	if err != nil {
		return job.Answer{}, err
	}
	c := f.Settings
	c.Picture = 0
	a, err := f.Measurer.Measure(ctx, job.Job{Path: file.Path, Member: file.Member, Source: file.Source, Beside: file.Beside, Config: c, Inspection: &i})
	switch {
	case err != nil:
		return a, err
	case a.Refused != "":
		return a, refusal{a.Refused}
	case a.Crash != "" && len(a.Femurs) > 0 && len(a.Femurs[0].Record.Reasons) > 0:
		return a, refusal{"the film worker gave up: " + string(a.Femurs[0].Record.Reasons[0])}
	}
	return a, nil
}

// image returns one frame as a 16-bit grey PNG.
func (f *Films) image(ctx context.Context, name string, frame int) ([]byte, error) {
	if b := f.kept(name, frame); b != nil {
		return b, nil
	}
	a, err := f.ask(ctx, name, job.Inspection{Frame: frame, Pixels: true})
	if err != nil {
		return nil, err
	}
	if len(a.Pixels) == 0 {
		return nil, errors.New("review: the worker sent no picture")
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.images = append(f.images, picture{name, frame, a.Pixels})
	if len(f.images) > imagesKept {
		f.images = append([]picture(nil), f.images[1:]...)
	}
	return a.Pixels, nil
}

func (f *Films) kept(name string, frame int) []byte {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, im := range f.images {
		if im.source == name && im.frame == frame {
			f.images = append(append(f.images[:i:i], f.images[i+1:]...), im)
			return im.png
		}
	}
	return nil
}

// correct measures a row's femur with corrections; was is the row as the run
// left it. A newer preview of the same row takes the place of an older one that
// still waits.
func (f *Films) correct(ctx context.Context, r Row, was *measure.Record, c []job.Correction, preview bool) (measure.Femur, error) {
	if f.Algorithm != job.Algorithm {
		return measure.Femur{}, refusal{fmt.Sprintf("this run was measured by %s, this program measures by %s: run measure again before correcting", f.Algorithm, job.Algorithm)}
	}
	if _, err := f.find(ctx, r.Source); err != nil {
		return measure.Femur{}, err
	}
	text, err := json.Marshal(c)
	if err != nil {
		return measure.Femur{}, fmt.Errorf("review: %w", err)
	}
	row := fmt.Sprintf("%q %d %d", r.Source, r.Frame, r.N)
	key := row + string(text)
	f.mu.Lock()
	if f.last.key == key {
		defer f.mu.Unlock()
		return f.last.femur, nil
	}
	if preview {
		if older := f.previews[row]; older != nil {
			older(errSuperseded)
		}
		var end context.CancelCauseFunc
		ctx, end = context.WithCancelCause(ctx)
		defer end(nil)
		f.previews[row] = end
	}
	f.mu.Unlock()
	a, err := f.ask(ctx, r.Source, job.Inspection{Frame: r.Frame, Femur: r.N, Corrections: c})
	switch {
	case errors.Is(context.Cause(ctx), errSuperseded):
		return measure.Femur{}, errSuperseded
	case err != nil:
		return measure.Femur{}, err
	case len(a.Femurs) < r.N:
		return measure.Femur{}, errors.New("review: the worker found fewer femurs than the run")
	}
	femur := rejoin(a.Femurs[r.N-1], was)
	// Where nothing was measured a reader may draw the femur anew: then side and
	// view are his word, but for what the header gave.
	told := was.Status != measure.StatusNotMeasured
	now := &femur.Record
	if now.PixelMM != was.PixelMM || now.ScaleBasis != was.ScaleBasis ||
		now.Side != was.Side && (told || was.SideBasis == measure.ByTag) || now.View != was.View && (told || was.ViewBasis == measure.ByTag) {
		return measure.Femur{}, refusal{"what the films' table says of this film has changed since it was measured: run measure again before correcting"}
	}
	f.mu.Lock()
	f.last = corrected{key, femur}
	f.mu.Unlock()
	return femur, nil
}
