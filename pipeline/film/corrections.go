package film

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
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
	if len(s.found) == 0 {
		s.found = []detect.Femur{{WorkingSpacing: s.scale.working()}}
	}
	i := s.place(r.Femur)
	if i < 0 {
		return s, fmt.Errorf("film: there is nothing to correct in this row")
	}
	s.found = slices.Clone(s.found)
	corrections := r.Corrections
	if f := s.found[i]; !traced(f) || !surelyFemur(f, identify(s.header, f), s.scale) {
		var err error
		if s.found[i], corrections, err = drawnFemur(f, s.header, corrections); err != nil {
			return s, fmt.Errorf("film: %w", err)
		}
	}
	id := identify(s.header, s.found[i])
	for _, c := range corrections {
		if err := correct(&s.found[i], id, c); err != nil {
			return s, fmt.Errorf("film: %s %s: %w", strings.ReplaceAll(c.Kind, "_", " "), c.Name, err)
		}
	}
	return s, nil
}

// drawnFemur is the femur whose two outer edges a reader drew, from the hip
// downwards, in a row without edges. That it is a femur, its view and which way
// it faces are his word: the names that he gave the edges. It also returns the
// corrections that are left to make.
func drawnFemur(f detect.Femur, h intake.Header, c []job.Correction) (detect.Femur, []job.Correction, error) {
	for _, view := range []measure.View{measure.AP, measure.Lateral} {
		names, _ := measure.SideNames(view)
		var outer [2]*job.Correction
		var rest []job.Correction
		first := -1
		for i := range c {
			k := slices.Index(names[:], strings.TrimPrefix(c[i].Name, "outer_"))
			if c[i].Kind != job.DrawEdge || k < 0 || outer[k] != nil || len(c[i].Points) < 2 {
				rest = append(rest, c[i])
				continue
			}
			if first < 0 {
				first = k
			}
			outer[k] = &c[i]
		}
		if outer[0] == nil || outer[1] == nil {
			continue
		}
		if h.View != "" && h.View != view {
			return f, nil, fmt.Errorf("the film's header says that its view is %s", h.View)
		}
		f = f.Untraced()
		sp := f.WorkingSpacing
		line := [2][]geom.PointPx{points(outer[0].Points), points(outer[1].Points)}
		up := sp.MM(line[first][0]).Sub(sp.MM(line[first][len(line[first])-1]))
		across := sp.MM(middle(line[0])).Sub(sp.MM(middle(line[1])))
		clockwise := across.Dot(geom.PointMM{X: -up.Y, Y: up.X}) > 0 // Y points down the film
		f.Found, f.ProximalFirst = 1, 1
		if view == measure.AP {
			f.FrontalView = 1
		}
		if clockwise {
			f.LateralClockwise = 1
		}
		for _, k := range [2]int{first, 1 - first} {
			if err := f.DrawEdge(clockwise == (k == 0), true, line[k], handEdgeSigma); err != nil {
				return f, nil, err
			}
		}
		return f, rest, nil
	}
	return f, nil, fmt.Errorf("no edges were traced in this row: draw both outer edges first")
}

func points(p [][2]float64) []geom.PointPx {
	out := make([]geom.PointPx, len(p))
	for i := range p {
		out[i] = geom.PointPx{X: p[i][0], Y: p[i][1]}
	}
	return out
}

// correct makes one correction.
func correct(f *detect.Femur, id identity, c job.Correction) error {
	to := geom.PointPx{X: c.To[0], Y: c.To[1]}
	sp := f.WorkingSpacing
	switch c.Kind {
	case job.MoveEdge, job.DrawEdge:
		clockwise, outer, ok := edgeNamed(c.Name, id)
		if !ok {
			return fmt.Errorf("no edge of this name on this film")
		}
		if c.Kind == job.DrawEdge {
			return f.DrawEdge(clockwise, outer, points(c.Points), handEdgeSigma)
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
