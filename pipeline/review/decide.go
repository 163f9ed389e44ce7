package review

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"unicode/utf8"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// Limits of a decision's words and corrections.
const (
	maxWords       = 4000 // characters of a note or a reason
	maxCorrections = 400
)

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
	case a.State == Accepted && len(a.Corrections) > 0:
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
