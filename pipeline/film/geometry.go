package film

import (
	"errors"
	"slices"
	"strconv"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// geometry starts the drawing of a femur with what detect found. Edges get
// their names only where the sides are known.
func geometry(f detect.Femur, id identity, r measure.Record) *measure.Geometry {
	g := &measure.Geometry{Source: r.Source, Frame: r.Frame, Side: r.Side, View: r.View,
		Contours: map[string][]geom.PointPx{}, Landmarks: map[string]geom.PointPx{}}
	names := edgeSides(id)
	for i, e := range [2][2]detect.Edge{{f.OuterClockwise, f.InnerClockwise}, {f.OuterCounter, f.InnerCounter}} {
		for j, layer := range [2]string{"outer_", "inner_"} {
			if p := inDirection(e[j].P, id.reversed); len(p) > 0 {
				g.Contours[layer+names[i]] = p
			}
		}
	}
	lateral, medial := condyles(f, id)
	for name, l := range map[string]*detect.Landmark{"lesser_trochanter": f.LesserTrochanter, "greater_trochanter": f.GreaterTrochanter,
		"neck_centre": f.Neck, "condyle_lateral": lateral, "condyle_medial": medial} {
		if l != nil {
			g.Landmarks[name] = l.P
		}
	}
	if c := f.HeadCircle; c != nil {
		g.Landmarks["head_centre"] = c.C
	}
	return g
}

// edgeSides names the sides that lie clockwise and counter-clockwise of f's own
// proximal direction.
func edgeSides(id identity) [2]string {
	names, ok := measure.SideNames(id.view)
	switch {
	case !ok || !id.facing:
		return [2]string{"clockwise", "counter"}
	case !id.clockwise:
		names[0], names[1] = names[1], names[0]
	}
	return names
}

func inDirection(p []geom.PointPx, reversed bool) []geom.PointPx {
	p = slices.Clone(p)
	if reversed {
		slices.Reverse(p)
	}
	return p
}

// draw adds the mid-line, the fitted circles and the measured levels.
func draw(g *measure.Geometry, s *measure.Shaft, r measure.Record, f detect.Femur, hasOrigin bool, sp geom.Spacing) {
	g.Circles = map[string]measure.CirclePx{}
	if c := f.HeadCircle; c != nil {
		g.Circles["head"] = measure.CirclePx{C: c.C, R: c.R / sp.X}
	}
	from, to, _, _ := s.Diaphysis(hasOrigin)
	var fit []geom.PointMM
	for i, p := range s.Mid {
		g.Midline = append(g.Midline, sp.Px(p))
		if s.S[i] >= from && s.S[i] <= to {
			fit = append(fit, p)
		}
	}
	if _, bowed := r.Values[measure.BowRadius]; bowed {
		if c, _, err := measure.FitCircle(fit, nil); err == nil && c.R > 0 {
			g.Circles["bow"] = measure.CirclePx{C: sp.Px(c.C), R: c.R / sp.X}
		}
	}
	g.Levels = map[string][2]geom.PointPx{}
	mark := func(label string, at float64) {
		i := int((at-s.S[0])/s.Step + 0.5)
		if i < 0 || i >= len(s.S) {
			return
		}
		a, b := s.Mid[i].Add(s.Normal[i].Mul(s.OuterPos[i])), s.Mid[i].Sub(s.Normal[i].Mul(s.OuterNeg[i]))
		if a == a && b == b {
			g.Levels[label] = [2]geom.PointPx{sp.Px(a), sp.Px(b)}
		}
	}
	if hasOrigin {
		for _, l := range measure.Levels {
			if _, ok := r.Values[measure.OuterWidthAt(l)]; ok {
				mark(strconv.Itoa(l), float64(l))
			}
		}
	}
	if v, ok := r.Values[measure.IsthmusLevel]; ok {
		mark("isthmus", v.X)
	}
}

// reasonOf returns the reason code that an error of package measure carries.
func reasonOf(err error) measure.Reason {
	var e *measure.Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return measure.EdgesUnclear
}
