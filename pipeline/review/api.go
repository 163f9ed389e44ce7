package review

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"net/http"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/image/draw"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// Limits of a decision's words and corrections.
const (
	maxWords       = 4000 // characters of a note or a reason
	maxCorrections = 400
)

const thumbSide = 240 // px, longest side of a thumbnail

// listAnswer is the answer of /api/list.
type listAnswer struct {
	Run      string    `json:"run"`
	Reviewer string    `json:"reviewer"`
	Second   bool      `json:"second_reader"`
	Count    int       `json:"count"`
	Rows     []listRow `json:"rows"`
}

func (s *Server) list(w http.ResponseWriter, r *http.Request) {
	states, err := s.store.States(r.Context(), s.Reading)
	if err != nil {
		s.wrong(w, err)
		return
	}
	reply(w, r, http.StatusOK, listAnswer{s.Run, s.Reading.Reviewer, s.Reading.Second, len(s.Femurs), s.rows.list(states)})
}

func (s *Server) progress(w http.ResponseWriter, r *http.Request) {
	states, err := s.store.States(r.Context(), s.Reading)
	if err != nil {
		s.wrong(w, err)
		return
	}
	count := map[State]int{Open: 0, Accepted: 0, Corrected: 0, Rejected: 0}
	for _, name := range s.rows.names {
		state, ok := states[name]
		if !ok {
			state = Open
		}
		count[state]++
	}
	reply(w, r, http.StatusOK, struct {
		Run       string `json:"run"`
		Open      int    `json:"open"`
		Accepted  int    `json:"accepted"`
		Corrected int    `json:"corrected"`
		Rejected  int    `json:"rejected"`
	}{s.Run, count[Open], count[Accepted], count[Corrected], count[Rejected]})
}

func (s *Server) ticks(w http.ResponseWriter, r *http.Request) {
	type tick struct {
		Key      string `json:"key"`
		Sentence string `json:"sentence"`
	}
	var out []tick
	for _, t := range Ticks {
		out = append(out, tick(t))
	}
	reply(w, r, http.StatusOK, struct {
		Run   string `json:"run"`
		Ticks []tick `json:"ticks"`
	}{s.Run, out})
}

// id returns the row that a request is of; false after it has answered that
// there is none, or that the page shows another run.
func (s *Server) id(w http.ResponseWriter, r *http.Request) (int, bool) {
	if run := r.URL.Query().Get("run"); run != "" && run != s.Run {
		s.otherRun(w, r)
		return 0, false
	}
	id, err := strconv.Atoi(r.PathValue("id"))
	if err != nil || id < 0 || id >= len(s.Femurs) {
		fail(w, http.StatusNotFound, "no such row")
		return 0, false
	}
	return id, true
}

func (s *Server) otherRun(w http.ResponseWriter, r *http.Request) {
	reply(w, r, http.StatusConflict, map[string]string{"error": "the films were measured again since this page was loaded", "run": s.Run})
}

// rowAnswer is a row with all that is shown of it.
type rowAnswer struct {
	Run      string            `json:"run"`
	ID       int               `json:"id"`
	Record   measure.Record    `json:"record"`
	Femur    int               `json:"femur"`
	Traced   bool              `json:"traced"` // the run found edges in this row
	Geometry *measure.Geometry `json:"geometry"`
	Profile  []profileRow      `json:"profile"`
	Focal    []measure.Focal   `json:"focal"`
	Nails    []measure.NailFit `json:"nails"`
	Columns  []column          `json:"columns"`
	Reasons  []reason          `json:"reasons"`
	Image    imageSize         `json:"image"`
	Decision decisionAnswer    `json:"decision"`
	Related  []related         `json:"related"`
}

// imageSize is a frame's size in pixels; 0: not known yet.
type imageSize struct {
	Rows int `json:"rows"`
	Cols int `json:"cols"`
}

type decisionAnswer struct {
	State       State             `json:"state"`
	Version     int               `json:"version"`
	Reviewer    string            `json:"reviewer,omitempty"`
	At          string            `json:"at,omitempty"`
	Corrections []job.Correction  `json:"corrections"`
	Reason      string            `json:"reason"`
	Note        string            `json:"note"`
	Ticks       map[string]string `json:"ticks"`
}

func (s *Server) row(w http.ResponseWriter, r *http.Request) {
	id, ok := s.id(w, r)
	if !ok {
		return
	}
	a, err := s.answer(r.Context(), id)
	if err != nil {
		s.wrong(w, err)
		return
	}
	reply(w, r, http.StatusOK, a)
}

// answer is a row as it now stands.
func (s *Server) answer(ctx context.Context, id int) (rowAnswer, error) {
	c, err := s.store.Current(ctx, s.rows.names[id], s.Reading)
	if err != nil {
		return rowAnswer{}, err
	}
	f, err := s.store.Femur(ctx, c)
	if err != nil {
		return rowAnswer{}, err
	}
	return s.show(ctx, id, c, f)
}

// show is a row in the state c, with the numbers of f where that is not nil, as
// measured else.
func (s *Server) show(ctx context.Context, id int, c Current, f *measure.Femur) (rowAnswer, error) {
	measured, size, err := s.measured(ctx, id)
	if err != nil {
		return rowAnswer{}, err
	}
	now := measured
	if f != nil {
		now = *f
	}
	d := decisionAnswer{State: c.State, Version: c.Version, Reviewer: c.Reviewer, Corrections: c.Corrections, Reason: c.Reason, Note: c.Note, Ticks: c.Ticks}
	if !c.At.IsZero() {
		d.At = c.At.Format("2006-01-02T15:04:05Z07:00")
	}
	if d.Corrections == nil {
		d.Corrections = []job.Correction{}
	}
	if d.Ticks == nil {
		d.Ticks = map[string]string{}
	}
	traced := measured.Geometry != nil && len(measured.Geometry.Contours) > 0
	out := rowAnswer{Run: s.Run, ID: id, Traced: traced, Record: now.Record, Femur: s.rows.names[id].N, Geometry: now.Geometry,
		Profile: profile(now.Profile), Focal: now.Focal, Nails: now.Nails,
		Columns: columns(&now.Record, &measured.Record), Reasons: reasons(now.Record.Reasons), Image: size, Decision: d, Related: s.rows.related[id]}
	if out.Focal == nil {
		out.Focal = []measure.Focal{}
	}
	if out.Nails == nil {
		out.Nails = []measure.NailFit{}
	}
	if out.Related == nil {
		out.Related = []related{}
	}
	return out, nil
}

// measured is a row as the run left it, with what the ledger holds of its film.
func (s *Server) measured(ctx context.Context, id int) (measure.Femur, imageSize, error) {
	out, name := s.Femurs[id], s.rows.names[id]
	var size imageSize
	if name.Film == "" {
		return out, size, nil
	}
	a, ok, err := s.Results.Answer(ctx, name.Film)
	if err != nil || !ok {
		return out, size, err
	}
	n := 0
	for _, f := range a.WithSource(name.Source).Femurs {
		if f.Record.Frame == name.Frame {
			if n++; n == name.N {
				out.Geometry, out.Profile = f.Geometry, f.Profile
			}
		}
	}
	for _, p := range a.Pictures {
		if p.Frame == name.Frame {
			size = imageSize{p.FilmRows, p.FilmCols}
		}
	}
	return out, size, nil
}

func (s *Server) image(w http.ResponseWriter, r *http.Request) {
	id, ok := s.id(w, r)
	if !ok {
		return
	}
	name := s.rows.names[id]
	tag := fmt.Sprintf(`"%s-%d"`, s.Films.Digests[name.Source], name.Frame)
	head := w.Header()
	head.Set("Cache-Control", "private, max-age=3600, immutable")
	head.Set("ETag", tag)
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	b, err := s.Films.image(r.Context(), name.Source, name.Frame)
	if err != nil {
		head.Del("ETag")
		head.Set("Cache-Control", "no-store")
		s.wrong(w, err)
		return
	}
	head.Set("Content-Type", "image/png")
	head.Set("Content-Length", strconv.Itoa(len(b)))
	w.Write(b)
}

// thumb sends the drawing of a frame that the run left, made small.
func (s *Server) thumb(w http.ResponseWriter, r *http.Request) {
	id, ok := s.id(w, r)
	if !ok {
		return
	}
	name := s.rows.names[id]
	f, err := os.Open(s.Thumb(name.Source, name.Frame))
	if err != nil {
		fail(w, http.StatusNotFound, "no picture of this film was written")
		return
	}
	defer f.Close()
	whole, err := png.Decode(f)
	if err != nil {
		fail(w, http.StatusNotFound, "no picture of this film was written")
		return
	}
	b := whole.Bounds()
	scale := math.Min(1, thumbSide/float64(max(b.Dx(), b.Dy())))
	small := image.NewRGBA(image.Rect(0, 0, max(1, int(scale*float64(b.Dx()))), max(1, int(scale*float64(b.Dy())))))
	draw.ApproxBiLinear.Scale(small, small.Bounds(), whole, b, draw.Src, nil)
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Cache-Control", "private, max-age=3600")
	jpeg.Encode(w, small, &jpeg.Options{Quality: 85})
}

// asked is what a page asks to be done.
type asked struct {
	Run         string            `json:"run"`
	Version     int               `json:"version"`
	State       State             `json:"state"`
	Corrections []job.Correction  `json:"corrections"`
	Reason      string            `json:"reason"`
	Note        string            `json:"note"`
	Ticks       map[string]string `json:"ticks"`
}

// read reads the row and the body of a request; false after it has answered
// what is wrong with them.
func (s *Server) read(w http.ResponseWriter, r *http.Request) (id int, a asked, ok bool) {
	if id, ok = s.id(w, r); !ok {
		return id, a, false
	}
	if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); strings.TrimSpace(kind) != "application/json" {
		fail(w, http.StatusUnsupportedMediaType, "send JSON")
		return id, a, false
	}
	d := json.NewDecoder(r.Body)
	err := d.Decode(&a)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("more than one value")
		}
	}
	var long *http.MaxBytesError
	switch {
	case errors.As(err, &long):
		fail(w, http.StatusRequestEntityTooLarge, "too much was sent")
	case err != nil:
		fail(w, http.StatusBadRequest, "not understood: "+err.Error())
	case a.Run != "" && a.Run != s.Run:
		s.otherRun(w, r)
	default:
		if err := a.check(); err != nil {
			fail(w, http.StatusBadRequest, err.Error())
			return id, a, false
		}
		return id, a, true
	}
	return id, a, false
}

// check bounds what a page may send.
func (a *asked) check() error {
	switch {
	case len(a.Corrections) > maxCorrections:
		return fmt.Errorf("more than %d corrections", maxCorrections)
	case utf8.RuneCountInString(a.Note) > maxWords || utf8.RuneCountInString(a.Reason) > maxWords:
		return fmt.Errorf("a note of more than %d characters", maxWords)
	}
	for _, c := range a.Corrections {
		switch c.Kind {
		case job.MoveLandmark, job.MoveEdge, job.DrawEdge, job.MoveLevel, job.HeadRadius:
		default:
			return fmt.Errorf("no correction of kind %q", c.Kind)
		}
		if len(c.Points) > job.MostPoints {
			return fmt.Errorf("an edge of more than %d points", job.MostPoints)
		}
	}
	for key, answer := range a.Ticks {
		known := false
		for _, t := range Ticks {
			known = known || t.Key == key
		}
		if !known || answer != Yes && answer != No && answer != Unsure {
			return fmt.Errorf("no answer %q to %q", answer, key)
		}
	}
	return nil
}

func (s *Server) preview(w http.ResponseWriter, r *http.Request) {
	id, a, ok := s.read(w, r)
	if !ok {
		return
	}
	c, err := s.store.Current(r.Context(), s.rows.names[id], s.Reading)
	if err != nil {
		s.wrong(w, err)
		return
	}
	var f *measure.Femur
	if len(a.Corrections) > 0 {
		corrected, err := s.Films.correct(r.Context(), s.rows.names[id], &s.Femurs[id].Record, a.Corrections, true)
		if err != nil {
			s.wrong(w, err)
			return
		}
		f = &corrected
	}
	out, err := s.show(r.Context(), id, c, f)
	if err != nil {
		s.wrong(w, err)
		return
	}
	reply(w, r, http.StatusOK, out)
}

func (s *Server) decide(w http.ResponseWriter, r *http.Request) {
	id, a, ok := s.read(w, r)
	if !ok {
		return
	}
	d := Decision{Held: s.rows.held(id), Reason: strings.TrimSpace(a.Reason), Note: strings.TrimSpace(a.Note), Ticks: a.Ticks}
	d.State = a.State
	why := ""
	switch {
	case a.State == Corrected && len(a.Corrections) == 0:
		why = "nothing was corrected"
	case a.State != Corrected && len(a.Corrections) > 0 && a.State == Accepted:
		why = "what was corrected is not accepted as it was measured"
	case a.State == Rejected && d.Reason == "":
		why = "a rejection needs a reason"
	case a.State != Rejected && d.Reason != "":
		why = "a reason is for a rejection"
	case a.State != Open && a.State != Accepted && a.State != Corrected && a.State != Rejected:
		why = fmt.Sprintf("no state %q", a.State)
	}
	if why != "" {
		fail(w, http.StatusBadRequest, why)
		return
	}
	switch a.State {
	case Corrected:
		f, err := s.Films.correct(r.Context(), s.rows.names[id], &s.Femurs[id].Record, a.Corrections, false)
		if err != nil {
			s.wrong(w, err)
			return
		}
		d.Femur, d.Held, d.Corrections = &f, heldOf(Corrected, &f.Record), a.Corrections
	case Rejected:
		d.Held = Held{State: Rejected}
	}
	c, err := s.store.Decide(r.Context(), s.rows.names[id], s.Reading, a.Version, d, s.rows.held(id))
	s.decided(w, r, id, c, err)
}

func (s *Server) undo(w http.ResponseWriter, r *http.Request) {
	id, a, ok := s.read(w, r)
	if !ok {
		return
	}
	c, err := s.store.Undo(r.Context(), s.rows.names[id], s.Reading, a.Version, s.rows.held(id))
	s.decided(w, r, id, c, err)
}

// decided answers a decision or an undo: where the row stands now, also where
// somebody else was faster.
func (s *Server) decided(w http.ResponseWriter, r *http.Request, id int, c Current, err error) {
	if err != nil && !errors.Is(err, ErrConflict) {
		s.wrong(w, err)
		return
	}
	conflict := err
	row, err := s.answer(r.Context(), id)
	if err != nil {
		s.wrong(w, err)
		return
	}
	if conflict != nil {
		reply(w, r, http.StatusConflict, struct {
			Error string    `json:"error"`
			Row   rowAnswer `json:"row"`
		}{"somebody, or another tab, decided on this row in the meantime", row})
		return
	}
	if s.Changed != nil {
		s.Changed()
	}
	reply(w, r, http.StatusOK, struct {
		Version int       `json:"version"`
		Row     rowAnswer `json:"row"`
	}{c.Version, row})
}

// wrong answers an error.
func (s *Server) wrong(w http.ResponseWriter, err error) {
	var plain refusal
	switch {
	case errors.As(err, &plain):
		fail(w, http.StatusUnprocessableEntity, strings.TrimPrefix(plain.text, "film: "))
	case errors.Is(err, errSuperseded):
		fail(w, http.StatusTooManyRequests, "a newer preview of this row was asked for")
	case errors.Is(err, ErrNothing):
		fail(w, http.StatusBadRequest, "nothing to undo")
	case errors.Is(err, context.Canceled): // the browser went away
		fail(w, http.StatusServiceUnavailable, "stopped")
	default:
		fail(w, http.StatusInternalServerError, err.Error())
	}
}
