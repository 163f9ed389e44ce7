// Package job is what the batch and its film workers say to each other: one
// JSON object a line, a Job in, an Answer out, in order.
//
// It links no C, so that the front program can import it.
package job

import (
	"encoding/json"

	"shaftgauge/measure"
)

// Job asks a worker for one film file (all its frames and femurs).
type Job struct {
	Path   string   `json:"path"`             // file on disk
	Member string   `json:"member,omitempty"` // name inside the .zip at Path
	Source string   `json:"source"`           // what the row's source column says
	Beside Beside   `json:"beside"`           // what films.csv says of it
	Config Settings `json:"config"`

	Inspection *Inspection `json:"inspection,omitempty"` // nil in a batch
}

// named is a Job with the names of files as bytes: they need not be UTF-8, and
// JSON holds nothing else.
type named struct {
	plain
	Path   []byte `json:"path"`
	Member []byte `json:"member,omitempty"`
}

type plain Job

// MarshalJSON writes the names of files as bytes.
func (j Job) MarshalJSON() ([]byte, error) {
	return json.Marshal(named{plain(j), []byte(j.Path), []byte(j.Member)})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (j *Job) UnmarshalJSON(b []byte) error {
	var n named
	if err := json.Unmarshal(b, &n); err != nil {
		return err
	}
	*j = Job(n.plain)
	j.Path, j.Member = string(n.Path), string(n.Member)
	return nil
}

// Beside is a row of films.csv: facts for files that have no DICOM header.
type Beside struct {
	Patient  string  `json:"patient,omitempty"`
	Date     string  `json:"date,omitempty"` // YYYYMMDD
	Side     string  `json:"side,omitempty"`
	View     string  `json:"view,omitempty"`
	SpacingX float64 `json:"spacing_x,omitempty"` // mm, 0: not said
	SpacingY float64 `json:"spacing_y,omitempty"`
}

// Settings are the settings that change what a film's row says. They are part
// of the ledger's key.
type Settings struct {
	MarkerDiameterMM float64 `json:"marker_diameter_mm,omitempty"` // spherical scale marker; 0: none on the films
	MaxPixels        int     `json:"max_pixels"`                   // a frame with more is refused before decoding
	MaxFrames        int     `json:"max_frames"`
	Picture          int     `json:"picture"`               // longest side of the Answer's pictures in pixels; 0: none
	PatientKey       []byte  `json:"patient_key,omitempty"` // HMAC key for patient_key; empty: column stays empty

	Nails []measure.Nail `json:"nails,omitempty"` // laid into the canal on lateral films
}

// Answer is what a worker found. A film that cannot be read answers with one
// femur whose record is not_measured.
type Answer struct {
	Source   string          `json:"source"`
	Femurs   []measure.Femur `json:"femurs"`
	Pictures []Picture       `json:"pictures,omitempty"`
	Crash    string          `json:"crash,omitempty"` // set by the batch, for the log

	// Of an Inspection only.
	Pixels  []byte `json:"pixels,omitempty"`  // the frame as a 16-bit grey PNG, bone bright
	Refused string `json:"refused,omitempty"` // why it could not be answered, for people
}

// Picture is a small 8-bit grey copy of one frame, bone bright.
type Picture struct {
	Frame int     `json:"frame"`
	Rows  int     `json:"rows"`
	Cols  int     `json:"cols"`
	Scale float64 `json:"scale"` // picture pixels per film pixel: film (0,0) centre maps to ((0+0.5)·Scale−0.5)
	Grey  []byte  `json:"grey"`

	FilmRows int `json:"film_rows,omitempty"` // of the frame itself
	FilmCols int `json:"film_cols,omitempty"`
}
