package film

import (
	"math"
	"slices"
	"testing"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
)

// upright is a femur whose shaft runs down the film, proximal at the top, so
// that clockwise of proximal is the right of the film.
func upright(frontal, lateralClockwise, proximalFirst float64) detect.Femur {
	line := func(x float64) detect.Edge {
		var e detect.Edge
		for y := range 100 {
			e.P = append(e.P, geom.PointPx{X: x, Y: float64(10 * y)})
			e.Sigma = append(e.Sigma, 0.05)
		}
		return e
	}
	return detect.Femur{OuterClockwise: line(600), OuterCounter: line(400), InnerClockwise: line(550), InnerCounter: line(450),
		Found: 1, FrontalView: frontal, LateralClockwise: lateralClockwise, ProximalFirst: proximalFirst}
}

func withTip(f detect.Femur) detect.Femur {
	f.LesserTrochanter = &detect.Landmark{}
	return f
}

// As films are hung, the patient faces the reader, so the lateral side of a
// left femur lies at the right of the film (common practice, no source).
// Patient Orientation names where the rows and the columns point, e.g. L\F for
// a film hung so (PS3.3 C.7.6.1.1.1).
func TestIdentify(t *testing.T) {
	for _, c := range []struct {
		name      string
		h         intake.Header
		f         detect.Femur
		side      measure.Side
		sideBasis measure.Basis
		view      measure.View
		viewBasis measure.Basis
		clockwise bool
		facing    bool
		reversed  bool
		reason    measure.Reason
	}{
		{name: "picture alone, left", f: upright(1, 1, 1), side: measure.Left, sideBasis: measure.ByAnatomy, view: measure.AP, viewBasis: measure.ByAnatomy, clockwise: true, facing: true},
		{name: "picture alone, right", f: upright(1, 0, 1), side: measure.Right, sideBasis: measure.ByAnatomy, view: measure.AP, viewBasis: measure.ByAnatomy, facing: true},
		{name: "tags agree", h: intake.Header{Side: intake.Right, View: measure.AP}, f: upright(1, 0, 1), side: measure.Right, sideBasis: measure.ByTag, view: measure.AP, viewBasis: measure.ByTag, facing: true},
		{name: "side tag contradicts the picture", h: intake.Header{Side: intake.Left, View: measure.AP}, f: upright(1, 0, 1), view: measure.AP, viewBasis: measure.ByTag, reason: measure.SideConflict},
		{name: "view tag contradicts the picture", h: intake.Header{View: measure.Lateral}, f: upright(1, 0, 1), reason: measure.ViewConflict},
		{name: "header contradicts itself", h: intake.Header{Reasons: []measure.Reason{measure.ViewConflict}}, f: upright(1, 0, 1)},
		{name: "mirrored film, orientation says so", h: intake.Header{Orientation: [2]string{"R", "F"}}, f: upright(1, 1, 1), side: measure.Right, sideBasis: measure.ByOrientation, view: measure.AP, viewBasis: measure.ByAnatomy, clockwise: true, facing: true},
		{name: "only the tag knows the side", h: intake.Header{Side: intake.Left}, f: upright(1, 0.5, 1), side: measure.Left, sideBasis: measure.ByTag, view: measure.AP, viewBasis: measure.ByAnatomy, clockwise: true, facing: true},
		{name: "nobody knows the side", f: upright(1, 0.5, 1), view: measure.AP, viewBasis: measure.ByAnatomy, reason: measure.SideUnknown},
		{name: "upside down by orientation", h: intake.Header{Side: intake.Left, Orientation: [2]string{"R", "H"}}, f: upright(1, 0.5, 0.6), side: measure.Left, sideBasis: measure.ByTag, view: measure.AP, viewBasis: measure.ByAnatomy, reversed: true, facing: true},
		{name: "lateral view, side from the tag alone", h: intake.Header{Side: intake.Right}, f: upright(0, 1, 1), side: measure.Right, sideBasis: measure.ByTag, view: measure.Lateral, viewBasis: measure.ByAnatomy, clockwise: true, facing: true},
		{name: "lateral view, no tag", f: upright(0, 1, 1), view: measure.Lateral, viewBasis: measure.ByAnatomy, clockwise: true, facing: true, reason: measure.SideUnknown},
		{name: "lateral view, facing by orientation", h: intake.Header{Orientation: [2]string{"A", "F"}}, f: upright(0, 0.5, 1), view: measure.Lateral, viewBasis: measure.ByAnatomy, clockwise: true, facing: true, reason: measure.SideUnknown},
		{name: "direction likely", f: withTip(upright(1, 1, 0.92)), side: measure.Left, sideBasis: measure.ByAnatomy, view: measure.AP, viewBasis: measure.ByAnatomy, clockwise: true, facing: true, reason: measure.DirectionUnknown},
		{name: "direction likely, but no tip", f: upright(1, 1, 0.92), view: measure.AP, viewBasis: measure.ByAnatomy, reason: measure.SideUnknown},
		{name: "direction unknown, so facing too", f: upright(1, 1, 0.6), view: measure.AP, viewBasis: measure.ByAnatomy, reason: measure.SideUnknown},
		{name: "lateral view, direction unknown, so facing too", f: upright(0, 1, 0.6), view: measure.Lateral, viewBasis: measure.ByAnatomy, reason: measure.DirectionUnknown},
	} {
		t.Run(c.name, func(t *testing.T) {
			id := identify(c.h, c.f)
			if id.side != c.side || id.sideBasis != c.sideBasis || id.view != c.view || id.viewBasis != c.viewBasis {
				t.Errorf("side %q by %q, view %q by %q", id.side, id.sideBasis, id.view, id.viewBasis)
			}
			if id.facing != c.facing || id.facing && id.clockwise != c.clockwise || id.reversed != c.reversed {
				t.Errorf("facing %v, clockwise %v, reversed %v", id.facing, id.clockwise, id.reversed)
			}
			if c.reason != "" && !slices.Contains(id.reasons, c.reason) {
				t.Errorf("reasons %v lack %s", id.reasons, c.reason)
			}
		})
	}
}

// A film shows at most one femur of a side.
func TestOneOfASide(t *testing.T) {
	row := func(side measure.Side) measure.Femur {
		r := measure.Record{Side: side, Status: measure.StatusMeasured}
		r.Set(measure.ShaftAxis, 1, 0.1)
		return measure.Femur{Record: r}
	}
	f := []measure.Femur{row(measure.Left), row(measure.Right), row(measure.Left), row(""), row("")}
	oneOfASide(f, measure.Record{Source: "film"})
	for i, refused := range []bool{false, false, true, false, false} {
		r := f[i].Record
		if (len(r.Values) == 0) != refused || refused && !slices.Contains(r.Reasons, measure.FemurUncertain) {
			t.Errorf("row %d: %+v", i, r)
		}
	}
}

// A shaft that shows one end's direction and neither trochanter nor knee may be an
// arm's unless the scale says that it is too broad for that; narrower, the picture
// must be as sure as of a piece.
func TestSurelyFemurByWidth(t *testing.T) {
	told := identity{directed: true}
	for _, c := range []struct {
		width, found float64
		scaled, want bool
	}{{31, 0.8, true, true}, {24, 0.8, true, false}, {24, 0.95, true, true}, {31, 0.8, false, false}, {math.NaN(), 0.8, true, false}} {
		f := upright(1, 0.5, 1)
		f.Width, f.Found = c.width, c.found
		if got := surelyFemur(f, told, scale{known: c.scaled}); got != c.want {
			t.Errorf("%g mm wide, scale %v, found %g: %v", c.width, c.scaled, c.found, got)
		}
	}
}

// Of a piece of which nothing tells direction or facing, however broad, the picture must
// be surer yet.
func TestSurelyFemurUntold(t *testing.T) {
	for found, want := range map[float64]bool{0.93: false, 0.95: true} {
		f := upright(1, 0.5, 0.5)
		f.Width, f.Found = 31, found
		if got := surelyFemur(f, identity{}, scale{known: true}); got != want {
			t.Errorf("found %g: %v", found, got)
		}
	}
}

// Without a sign, a scale or a facing there is nothing of a femur to see but a tube, and
// of such a tube nothing to measure but how it lies.
func TestTubeIsNoFemur(t *testing.T) {
	f := upright(0.5, 0.5, 1)
	f.Width = 31
	if surelyFemur(f, identity{directed: true}, scale{}) {
		t.Error("a tube without scale, facing and signs is a femur")
	}
	if !surelyFemur(f, identity{directed: true, facing: true}, scale{}) {
		t.Error("a surely found shaft that faces is none")
	}
}

// The more there is to see of a femur, the less the coarse film must be sure of it: a
// tip of the lesser trochanter asks less than none, a broad shaft with it still less; a
// narrow one with a tip may be an arm's with its tuberosity.
func TestSurelyFemurBySigns(t *testing.T) {
	mark := &detect.Landmark{}
	least := func(tip, knee bool, width, tells float64) float64 {
		f := upright(1, tells, tells)
		f.Width = width
		if tip {
			f.LesserTrochanter = mark
		}
		if knee {
			f.CondyleLateral, f.CondyleMedial = mark, mark
		}
		for f.Found = 0; f.Found < 1 && !surelyFemur(f, identity{view: measure.AP}, scale{known: true}); f.Found += 0.01 {
		}
		return f.Found
	}
	order := []float64{
		least(true, false, 31, 1), least(true, false, 24, 1), least(false, true, 24, 1), least(false, false, 24, 1),
	}
	if !slices.IsSorted(order) || order[0] == order[3] {
		t.Errorf("probabilities asked: %.2f", order)
	}
	if both, knee := least(false, true, 31, 1), least(false, true, 24, 1); both >= knee {
		t.Errorf("broad with a knee asks %.2f, narrow %.2f", both, knee)
	}
	if plain, piece := least(true, true, 31, 0.5), least(false, false, 31, 0.5); plain < piece {
		t.Errorf("a bone that neither runs nor faces asks %.2f with a tip, %.2f without", plain, piece)
	}
}
