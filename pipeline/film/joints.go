package film

import (
	"math"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// withOwnJoints takes out the landmarks that are none of the femur's: a stem's
// head and neck, and all of a shaft that detect took for upside down.
func withOwnJoints(f detect.Femur, id identity) detect.Femur {
	if f.Implant == detect.ImplantStem || id.reversed {
		f.HeadCircle, f.Neck, f.Turn = nil, nil, nil
	}
	if id.reversed {
		f.GreaterTrochanter, f.CondyleLateral, f.CondyleMedial = nil, nil, nil
		f.CanalAbove = [2]*detect.Landmark{}
	}
	return f
}

// tipAcross is the uncertainty of the lesser trochanter's tip across the shaft
// over that along it, which detect gives: its outline is flat there. Fitted on
// simulated films.
const tipAcross = 0.25

// joints brings the landmarks of hip and knee of an AP film into millimetres.
func joints(f detect.Femur, id identity, sp geom.Spacing) (j measure.Joints) {
	if id.view != measure.AP {
		return j
	}
	mark := func(l *detect.Landmark) *measure.Landmark {
		if l == nil {
			return nil
		}
		return &measure.Landmark{P: sp.MM(l.P), Sigma: l.Sigma}
	}
	j.LesserTrochanter, j.GreaterTrochanter = mark(f.LesserTrochanter), mark(f.GreaterTrochanter)
	if j.LesserTrochanter != nil {
		j.LesserTrochanter.Sigma *= tipAcross
	}
	j.Turn = f.Turn
	lateral, medial := condyles(f, id)
	j.CondyleLateral, j.CondyleMedial = mark(lateral), mark(medial)
	j.Neck = mark(f.Neck)
	if c := f.HeadCircle; c != nil {
		j.Head = &measure.HeadCircle{C: sp.MM(c.C), R: c.R, SigmaC: c.SigmaC, SigmaR: c.SigmaR}
	}
	if a, b := f.CanalAbove[0], f.CanalAbove[1]; a != nil && b != nil {
		j.CanalAbove = &measure.Value{X: sp.MM(a.P).Sub(sp.MM(b.P)).Norm(), U95: measure.Coverage * math.Hypot(a.Sigma, b.Sigma)}
	}
	return j
}

// condyles returns where the tangent touches the lateral and the medial
// condyle, by the sides of the row: nil where those are not known.
func condyles(f detect.Femur, id identity) (lateral, medial *detect.Landmark) {
	lateral, medial = f.CondyleLateral, f.CondyleMedial
	edge := f.OuterClockwise.P
	if !id.facing || lateral == nil || medial == nil || len(edge) < 2 {
		return nil, nil
	}
	proximal := vector(edge[len(edge)-1], edge[0])
	if (proximal.Cross(vector(medial.P, lateral.P)) > 0) != id.clockwise {
		lateral, medial = medial, lateral
	}
	return lateral, medial
}

// vector from a to b in pixels.
func vector(a, b geom.PointPx) geom.PointMM { return geom.PointMM{X: b.X - a.X, Y: b.Y - a.Y} }
