package film

import (
	"errors"
	"slices"

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

// find looks for femurs on a frame; why says why there are none. Where it is not sure of
// one it looks once more with bright and dark exchanged, since headers name the wrong one
// and copies are negatives; the frame's pixels stay exchanged where that shows a femur and
// an end of it.
func find(frame intake.Film, base measure.Record, c job.Settings) (s sight, why measure.Reason) {
	linearise(&frame)
	s, why = look(frame, base, c)
	if s.sure(func(detect.Femur) bool { return true }) || why != "" && why != measure.NoFemurFound {
		return s, why
	}
	exchange(frame)
	if other, _ := look(frame, base, c); other.sure(func(f detect.Femur) bool { return f.LesserTrochanter != nil || showsKnee(f) }) {
		other.base.AddReason(measure.PolarityConflict)
		return other, ""
	}
	exchange(frame)
	return s, why
}

// look is one look of find.
func look(frame intake.Film, base measure.Record, c job.Settings) (s sight, why measure.Reason) {
	base.Reasons = slices.Clone(base.Reasons)
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

// sure tells whether something of what was found is a femur beyond doubt, and such a one.
func (s sight) sure(such func(detect.Femur) bool) bool {
	return slices.ContainsFunc(s.found, func(f detect.Femur) bool {
		return f.Found >= sure && such(f) && traced(f) && surelyFemur(f, identify(s.header, f), s.scale)
	})
}

// exchange turns bright into dark and back, in place. Padding, which holds 0, stays.
func exchange(f intake.Film) {
	top := uint16(1<<f.Bits - 1)
	if !f.Padded {
		for i, v := range f.Pixels {
			f.Pixels[i] = top - v
		}
		return
	}
	for i, v := range f.Pixels {
		if v > 0 {
			f.Pixels[i] = top - v + 1
		}
	}
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
