package film

import (
	"errors"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// sight is what one frame shows before anything on it is measured.
type sight struct {
	header intake.Header
	scale  scale
	base   measure.Record // what every row of the frame begins with
	found  []detect.Femur // in the order of detection
}

// find looks for femurs on a frame; why says why there are none.
func find(frame intake.Film, base measure.Record, c job.Settings) (s sight, why measure.Reason) {
	linearise(&frame)
	s = sight{header: frame.Header, scale: scaleOf(frame, c.MarkerDiameterMM), base: base}
	s.scale.write(&s.base)
	var err error
	s.found, err = detect.Femurs(image(frame, s.scale))
	switch {
	case errors.Is(err, detect.ErrBlank):
		return s, measure.BlankImage
	case err != nil:
		return s, measure.UnsupportedImage
	case len(s.found) == 0:
		return s, measure.NoFemurFound
	}
	return s, ""
}

// femurs measures what was found.
func (s sight) femurs(c job.Settings) []measure.Femur {
	var out []measure.Femur
	for _, f := range s.found {
		out = append(out, femur(f, s.header, s.scale, c.Nails, s.base))
	}
	oneOfASide(out, s.base)
	inOrder(out)
	return out
}

// place tells which of what was found has the n-th row of the frame, from 1;
// negative where that row is none's: a second femur of one side has none.
func (s sight) place(n int) int {
	rows := make([]measure.Femur, len(s.found))
	for i, f := range s.found {
		r := measure.Record{Frame: i} // standing for its place
		if traced(f) {
			r.Side = identify(s.header, f).side
		}
		rows[i].Record = r
	}
	oneOfASide(rows, measure.Record{Frame: -1})
	inOrder(rows)
	if n < 1 || n > len(rows) {
		return -1
	}
	return rows[n-1].Record.Frame
}

// row is the place among the rows, from 0, of the i-th that was found; negative
// where it has none.
func (s sight) row(i int) int {
	for n := range s.found {
		if s.place(n+1) == i {
			return n
		}
	}
	return -1
}

// traced tells whether f has edges to tell its side from.
func traced(f detect.Femur) bool { return len(f.OuterClockwise.P) >= 2 && len(f.OuterCounter.P) >= 2 }
