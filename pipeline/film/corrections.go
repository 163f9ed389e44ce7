package film

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shaftgauge/detect"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/job"
)

// Standard uncertainties of what a reader sets by hand, mm. No publication
// gives them by landmark. With 0.5 mm for the head's centre and the neck's
// middle, some 40 mm apart, the line through both is uncertain by 1.0°; one
// reader's repeated neck-shaft angles, limits of agreement ±2.5° (Br J Radiol,
// PMC3473462), make it 2.5°/(1.96·√2) = 0.9°. The tip of the lesser trochanter,
// which is round along the shaft, is set half as well (common practice, no
// source).
const (
	handSigma     = 0.5
	handTipSigma  = 1.0
	handEdgeSigma = 0.5
)

const (
	edgeFade = 15.0 // mm along an edge over which a move of it fades out

	// tipMoved is how far, in mm, a reader's lesser trochanter may lie from the
	// one found and the canal 20 mm above it still be taken as seen: within that
	// the canal's width changes by less than its own uncertainty.
	tipMoved = 2.0
)

// corrected returns s with one femur corrected by a reader; s stays as it is.
//
// Errors: a correction of something that is not there. Their text is for people.
func (s sight) corrected(r job.Inspection) (sight, error) {
	if len(r.Corrections) == 0 {
		return s, nil
	}
	i := s.place(r.Femur)
	if i < 0 || !traced(s.found[i]) {
		return s, fmt.Errorf("film: nothing was traced in this row: there is nothing to correct")
	}
	id := identify(s.header, s.found[i])
	s.found = slices.Clone(s.found)
	for _, c := range r.Corrections {
		if err := correct(&s.found[i], id, c, s.scale); err != nil {
			return s, fmt.Errorf("film: %s %s: %w", strings.ReplaceAll(c.Kind, "_", " "), c.Name, err)
		}
	}
	return s, nil
}

// correct makes one correction.
func correct(f *detect.Femur, id identity, c job.Correction, sc scale) error {
	to := geom.PointPx{X: c.To[0], Y: c.To[1]}
	sp := f.WorkingSpacing
	switch c.Kind {
	case job.MoveEdge:
		clockwise, outer, ok := edgeNamed(c.Name, id)
		if !ok {
			return fmt.Errorf("no edge of this name on this film")
		}
		return f.MoveEdge(clockwise, outer, geom.PointPx{X: c.From[0], Y: c.From[1]}, to, handEdgeSigma, edgeFade)
	case job.HeadRadius:
		if f.HeadCircle == nil {
			return fmt.Errorf("set its centre first")
		}
		if !(c.Radius > 0) || math.IsInf(c.Radius, 0) {
			return fmt.Errorf("a radius is more than 0")
		}
		h := *f.HeadCircle
		h.R, h.SigmaR = c.Radius*sp.X, handSigma
		f.HeadCircle = &h
		return nil
	case job.MoveLandmark, job.MoveLevel:
		if id.reversed {
			return fmt.Errorf("the shaft was traced upside down: its landmarks are not measured")
		}
		if c.Kind == job.MoveLevel {
			return moveLevels(f, id, geom.PointPx{X: c.From[0], Y: c.From[1]}, to)
		}
		return setLandmark(f, id, c.Name, to)
	}
	return fmt.Errorf("no such correction")
}

// moveLevels moves the lesser trochanter, which levels count from, along the
// shaft there by as much as a hand moved a level along the shaft where that is.
func moveLevels(f *detect.Femur, id identity, from, to geom.PointPx) error {
	tip := f.LesserTrochanter
	if tip == nil {
		return fmt.Errorf("set the lesser trochanter first")
	}
	sp := f.WorkingSpacing
	by := sp.MM(to).Sub(sp.MM(from)).Dot(down(f, from))
	return setLandmark(f, id, "lesser_trochanter", sp.Px(sp.MM(tip.P).Add(down(f, tip.P).Mul(by))))
}

// downReach is how far to both sides of a place, in mm, its shaft's direction is
// read from the outer edges.
const downReach = 15.0

// down is the unit vector down the shaft beside a place.
func down(f *detect.Femur, at geom.PointPx) (sum geom.PointMM) {
	sp := f.WorkingSpacing
	for _, e := range []detect.Edge{f.OuterClockwise, f.OuterCounter} {
		near := 0
		for i := range e.P {
			if sp.MM(e.P[i]).Sub(sp.MM(at)).Norm() < sp.MM(e.P[near]).Sub(sp.MM(at)).Norm() {
				near = i
			}
		}
		a, b := near, near
		within := func(i int) bool { return sp.MM(e.P[i]).Sub(sp.MM(e.P[near])).Norm() < downReach }
		for a > 0 && within(a-1) {
			a--
		}
		for b < len(e.P)-1 && within(b+1) {
			b++
		}
		sum = sum.Add(sp.MM(e.P[b]).Sub(sp.MM(e.P[a])).Unit())
	}
	return sum.Unit()
}

// setLandmark puts a landmark where the reader says.
func setLandmark(f *detect.Femur, id identity, name string, to geom.PointPx) error {
	sp := f.WorkingSpacing
	hand := &detect.Landmark{P: to, Sigma: handSigma}
	lateral, medial := &f.CondyleLateral, &f.CondyleMedial
	if l, _ := condyles(*f, id); l != nil && l != *lateral {
		lateral, medial = medial, lateral
	}
	switch name {
	case "lesser_trochanter":
		if old := f.LesserTrochanter; old == nil || sp.MM(to).Sub(sp.MM(old.P)).Norm() > tipMoved {
			f.CanalAbove = [2]*detect.Landmark{}
		}
		hand.Sigma = handTipSigma
		f.LesserTrochanter = hand
	case "greater_trochanter":
		f.GreaterTrochanter = hand
	case "neck_centre":
		f.Neck = hand
	case "head_centre":
		h := detect.Circle{}
		if f.HeadCircle != nil {
			h = *f.HeadCircle
		}
		h.C, h.SigmaC = to, handSigma
		f.HeadCircle = &h
	case "condyle_lateral":
		*lateral = hand
	case "condyle_medial":
		*medial = hand
	default:
		return fmt.Errorf("no landmark of this name")
	}
	return nil
}

// edgeNamed tells which edge of detect's a name of the geometry means.
func edgeNamed(name string, id identity) (clockwise, outer, ok bool) {
	layer, side, _ := strings.Cut(name, "_")
	names := edgeSides(id)
	i := slices.Index(names[:], side)
	return i == 0, layer == "outer", i >= 0 && (layer == "outer" || layer == "inner")
}
