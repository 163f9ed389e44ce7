package review

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"math"
	"net/http"
	"os"
	"strconv"
	"strings"

	"golang.org/x/image/draw"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
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
