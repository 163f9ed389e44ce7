package film

import (
	"math"
	"testing"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// jointed is a femur that stands upright on the film, 100 px of shaft from
// (50, 100) down, with all its landmarks; what detect calls lateral lies at the
// film's left.
func jointed() detect.Femur {
	at := func(x, y float64) *detect.Landmark {
		return &detect.Landmark{P: geom.PointPx{X: x, Y: y}, Sigma: 0.5}
	}
	f := detect.Femur{Implant: detect.ImplantNone,
		HeadCircle: &detect.Circle{C: geom.PointPx{X: 90, Y: 20}, R: 24, SigmaC: 0.3, SigmaR: 0.2},
		Neck:       at(75, 35), LesserTrochanter: at(65, 90), GreaterTrochanter: at(40, 30),
		CondyleLateral: at(30, 250), CondyleMedial: at(70, 255),
		CanalAbove: [2]*detect.Landmark{at(40, 80), at(64, 70)},
	}
	for y := 100.0; y <= 200; y++ {
		f.OuterClockwise.P = append(f.OuterClockwise.P, geom.PointPx{X: 62, Y: y})
	}
	return f
}

// For a shaft that points down the film, clockwise of proximal is the right
// hand. Names follow the row's sides, not what the picture took for lateral.
func TestCondylesBySides(t *testing.T) {
	f := jointed()
	for _, c := range []struct {
		id      identity
		lateral *detect.Landmark
	}{
		{identity{view: measure.AP, facing: true, clockwise: false}, f.CondyleLateral},
		{identity{view: measure.AP, facing: true, clockwise: true}, f.CondyleMedial},
		{identity{view: measure.AP}, nil},
	} {
		lateral, medial := condyles(f, c.id)
		if lateral != c.lateral || (medial == nil) != (c.lateral == nil) || medial != nil && medial == lateral {
			t.Errorf("%+v: lateral %v, medial %v", c.id, lateral, medial)
		}
	}
}

func TestJointsInMillimetres(t *testing.T) {
	id := identity{view: measure.AP, facing: true}
	sp := geom.Spacing{Y: 0.5, X: 0.25}
	j := joints(withOwnJoints(jointed(), id), id, sp)
	if j.Head.C != (geom.PointMM{X: 22.5, Y: 10}) || j.Head.R != 24 || j.Head.SigmaC != 0.3 || j.Head.SigmaR != 0.2 {
		t.Errorf("head %+v", j.Head)
	}
	if j.Neck.P != (geom.PointMM{X: 18.75, Y: 17.5}) || j.Neck.Sigma != 0.5 {
		t.Errorf("neck %+v", j.Neck)
	}
	// 24 px of 0.25 mm and 10 px of 0.5 mm square to each other.
	if w := j.CanalAbove; math.Abs(w.X-math.Hypot(6, 5)) > 1e-12 || math.Abs(w.U95-2*math.Hypot(0.5, 0.5)) > 1e-12 {
		t.Errorf("canal %+v", w)
	}
}

// What is not the femur's own gives no landmark.
func TestForeignJoints(t *testing.T) {
	sp := geom.Spacing{Y: 0.5, X: 0.5}
	id := identity{view: measure.AP, facing: true}
	f := jointed()
	f.Implant = detect.ImplantStem
	if j := joints(withOwnJoints(f, id), id, sp); j.Head != nil || j.Neck != nil || j.CondyleLateral == nil {
		t.Errorf("stem: %+v", j)
	}
	up := identity{view: measure.AP, facing: true, reversed: true}
	if j := joints(withOwnJoints(jointed(), up), up, sp); j.Head != nil || j.Neck != nil || j.CondyleLateral != nil || j.CanalAbove != nil {
		t.Errorf("upside down: %+v", j)
	}
	lat := identity{view: measure.Lateral, facing: true}
	if j := joints(jointed(), lat, sp); j != (measure.Joints{}) {
		t.Errorf("lateral: %+v", j)
	}
}
