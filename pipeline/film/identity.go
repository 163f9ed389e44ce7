package film

import (
	"strings"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
)

const (
	// sure is the probability from which the picture's own word counts.
	sure = 0.97

	// sureOfView is that from which it alone tells the view: on films of another maker
	// three lateral ones of 24 were taken for frontal at 0.97, one at 0.99.
	sureOfView = 0.99

	// likely is that from which the picture's word on the direction serves the side that
	// it faces, if the lesser trochanter bears it out: a shaft turned end for end has
	// lateral and medial exchanged. Without one, eleven pieces of another maker that were
	// less than sure of their direction were all told wrong.
	likely = 0.9
)

// From which probability what was found counts as a femur, by what else there is to
// see of one. Signs are the tip of the lesser trochanter, the knee and, by the scale, a
// shaft broader than an arm's, on a bone of which the picture tells an end or the way
// that it faces; a tip counts for more where the picture alone tells both. What
// shows no sign may be a piece of any tube, and is taken for one where there is neither
// scale nor facing. Chosen on films of femurs and of other bones and things, of four
// makings.
const (
	sureOfBroadWhole = 0.3
	sureOfWhole      = 0.6
	sureOfPart       = 0.7
	sureOfPiece      = 0.9
	sureOfSlender    = 0.93 // of a piece that by the scale is no broader than an arm's
	sureOfUntold     = 0.94 // of one of which nothing tells direction or facing: a lower leg's was at 0.93

	// From which outer width, mm, a shaft is broader than an arm's: 26 mm, magnified
	// by a tenth (common practice, no source).
	broad = 28.5
)

// surelyFemur tells whether f may be measured as a femur.
func surelyFemur(f detect.Femur, id identity, sc scale) bool {
	// A header's word on the direction makes no broad shaft a femur's: a bent tube had one.
	faces := f.LateralClockwise >= sure || f.LateralClockwise <= 1-sure
	told := f.ProximalFirst >= sure || faces && id.view != ""
	tip := told && f.LesserTrochanter != nil
	knee := told && showsKnee(f)
	wide := told && sc.known && f.Width >= broad
	whole := tip && f.ProximalFirst >= sure && faces
	switch {
	case whole && wide:
		return f.Found >= sureOfBroadWhole
	case whole || knee && wide:
		return f.Found >= sureOfWhole
	case tip || knee || wide:
		return f.Found >= sureOfPart
	case !told && !id.directed:
		return sc.known && f.Found >= sureOfUntold
	case sc.known && f.Width < broad:
		return f.Found >= sureOfSlender
	}
	return (id.facing || sc.known) && f.Found >= sureOfPiece
}

// showsKnee tells whether both condyles are seen.
func showsKnee(f detect.Femur) bool {
	return f.Located.CondyleLateral != nil && f.Located.CondyleMedial != nil || f.CondyleLateral != nil && f.CondyleMedial != nil
}

// identity is what a row says of which femur it shows, and which way its edges
// run and face.
type identity struct {
	side      measure.Side
	sideBasis measure.Basis
	view      measure.View
	viewBasis measure.Basis
	// reversed: the edges run from distal to proximal. clockwise: the positive
	// side (lateral, anterior) lies clockwise of the proximal direction of f as
	// detect gave it. facing is false where neither header nor picture tells.
	reversed, clockwise, facing bool
	directed                    bool // header or picture tells which end is proximal
	reasons                     []measure.Reason
}

// identify reads view, side and direction from header and picture. A tag that
// contradicts the picture is a reason; then neither is chosen.
func identify(h intake.Header, f detect.Femur) (id identity) {
	id.view, id.viewBasis = view(h, f, &id)
	up, knownUp := proximal(h, f)
	id.reversed = knownUp && !up
	id.directed = knownUp
	if !knownUp {
		id.reasons = append(id.reasons, measure.DirectionUnknown)
	}
	switch id.view {
	case measure.AP:
		id.frontal(h, f, knownUp)
	case measure.Lateral:
		id.sagittal(h, f, knownUp)
	}
	return id
}

// view weighs the header's view against the picture's.
func view(h intake.Header, f detect.Femur, id *identity) (measure.View, measure.Basis) {
	var seen measure.View
	switch {
	case f.FrontalView >= sure:
		seen = measure.AP
	case f.FrontalView <= 1-sure:
		seen = measure.Lateral
	}
	switch {
	case contradicted(h, measure.ViewConflict) || contradicted(h, measure.ViewOblique):
		return "", ""
	case h.View != "" && seen != "" && h.View != seen:
		id.reasons = append(id.reasons, measure.ViewConflict)
		return "", ""
	case h.View != "":
		return h.View, measure.ByTag
	case f.FrontalView >= sureOfView || f.FrontalView <= 1-sureOfView:
		return seen, measure.ByAnatomy
	}
	id.reasons = append(id.reasons, measure.ViewUnknown)
	return "", ""
}

// contradicted tells whether the header already carries the reason: what it
// contradicts itself about, the picture does not decide.
func contradicted(h intake.Header, why measure.Reason) bool {
	for _, have := range h.Reasons {
		if have == why {
			return true
		}
	}
	return false
}

// proximal tells whether the edges of f run from proximal to distal: by the
// picture, else by Patient Orientation (0020,0020).
func proximal(h intake.Header, f detect.Femur) (first, known bool) {
	if f.ProximalFirst >= sure {
		return true, true
	}
	p := f.OuterClockwise.P
	d := geom.PointMM{X: p[0].X - p[len(p)-1].X, Y: p[0].Y - p[len(p)-1].Y} // towards what detect calls proximal
	if along := towards(h.Orientation, d, 'H', 'F'); along != 0 {
		return along > 0, true
	}
	return true, false
}

// towards returns the sign of the image direction d in terms of a patient axis
// with letters plus and minus (head H and foot F, left L and right R, anterior
// A and posterior P), by Patient Orientation; 0 where that does not say.
// The orientation names where the rows and where the columns point; its first
// letter is the chief direction (PS3.3 C.7.6.1.1.1).
func towards(orientation [2]string, d geom.PointMM, plus, minus byte) float64 {
	sum := 0.0
	for i, word := range orientation {
		along := [2]float64{d.X, d.Y}[i]
		word = strings.ToUpper(strings.TrimSpace(word))
		if word == "" {
			continue
		}
		switch word[0] {
		case plus:
			sum += along
		case minus:
			sum -= along
		}
	}
	// A direction nearly square to the axis does not say.
	if n := d.Norm(); n == 0 || sum < 0.3*n && sum > -0.3*n {
		return 0
	}
	return sum
}

// clockwiseOf returns the image direction clockwise of f's own proximal direction.
func clockwiseOf(f detect.Femur) geom.PointMM {
	c, a := middle(f.OuterClockwise.P), middle(f.OuterCounter.P)
	return geom.PointMM{X: c.X - a.X, Y: c.Y - a.Y}
}

func middle(p []geom.PointPx) geom.PointPx { return p[len(p)/2] }

// facesSurely tells whether the picture says where lateral or anterior lies: which
// way the femur faces seen from proximal, and where that is.
func facesSurely(f detect.Femur, knownUp bool) bool {
	likelyUp := f.LesserTrochanter != nil && f.ProximalFirst >= likely
	return (knownUp || likelyUp) && (f.LateralClockwise >= sure || f.LateralClockwise <= 1-sure)
}

// frontal settles side and lateral direction on an AP film.
func (id *identity) frontal(h intake.Header, f detect.Femur, knownUp bool) {
	tag := measure.Side("")
	if h.Side == intake.Right || h.Side == intake.Left {
		tag = measure.Side(h.Side)
	}
	seenFacing := facesSurely(f, knownUp)
	var seen measure.Side
	var basis measure.Basis
	if seenFacing {
		id.facing, id.clockwise = true, f.LateralClockwise >= sure
		lateral := clockwiseOf(f)
		if !id.clockwise {
			lateral = lateral.Mul(-1)
		}
		if along := towards(h.Orientation, lateral, 'L', 'R'); along != 0 {
			seen, basis = measure.Right, measure.ByOrientation
			if along > 0 {
				seen = measure.Left
			}
		} else {
			// As films are hung, the patient faces the reader: lateral lies
			// clockwise of proximal on the left femur (common practice, no source).
			seen, basis = measure.Right, measure.ByAnatomy
			if id.clockwise != id.reversed {
				seen = measure.Left
			}
		}
	}
	switch {
	case contradicted(h, measure.SideConflict):
	case tag != "" && seen != "" && tag != seen:
		// One of them is wrong: then lateral and medial are not known either.
		id.reasons = append(id.reasons, measure.SideConflict, measure.FacingUnknown)
		id.facing = false
	case tag != "":
		id.side, id.sideBasis = tag, measure.ByTag
		if !id.facing && knownUp {
			id.facing = true
			id.clockwise = (tag == measure.Left) != id.reversed
			lateral := clockwiseOf(f)
			if along := towards(h.Orientation, lateral, 'L', 'R'); along != 0 {
				id.clockwise = (along > 0) == (tag == measure.Left)
			}
		}
	case seen != "":
		id.side, id.sideBasis = seen, basis
	default:
		id.reasons = append(id.reasons, measure.SideUnknown)
	}
}

// sagittal settles the anterior direction on a lateral film. The picture does
// not show the side: only the header names it.
func (id *identity) sagittal(h intake.Header, f detect.Femur, knownUp bool) {
	if facesSurely(f, knownUp) {
		id.facing, id.clockwise = true, f.LateralClockwise >= sure
	} else if along := towards(h.Orientation, clockwiseOf(f), 'A', 'P'); along != 0 {
		id.facing, id.clockwise = true, along > 0
	}
	switch {
	case contradicted(h, measure.SideConflict):
	case h.Side == intake.Right || h.Side == intake.Left:
		id.side, id.sideBasis = measure.Side(h.Side), measure.ByTag
	default:
		id.reasons = append(id.reasons, measure.SideUnknown)
	}
}
