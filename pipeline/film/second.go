package film

import (
	"math"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// The second estimate's own uncertainty, fitted on simulated films so that on
// sound ones nothing differs in some 97 of 100. Like the first estimate's, it
// grows with how much the edges scatter.
const (
	secondWhite, secondDrift           = 1.0, 1.0   // times the scatter: of each level, and of the film's median along the shaft
	secondOuterFloor, secondInnerFloor = 0.10, 0.20 // mm of drift without any scatter
	secondOuterBias, secondInnerBias   = 0.08, 0.12 // mm, common to both sides and all levels
	secondLength                       = 20.0       // mm

	// farApart is how many times their uncertainty together two estimates of a
	// width at one level may differ before neither is given.
	farApart = 2.0

	// apartShare of the difference between the estimates adds to the first one's
	// uncertainty. On real surfaces, of the quarter of cortices and canals where the
	// two differ most, a propagated u95 holds 81 to 88 %, of the others 99 %.
	apartShare = 0.7
)

// secondErrors is the error model of the second estimate.
func secondErrors(e detect.Edges) measure.ErrorModel {
	edge := measure.EdgeError{White: secondWhite, Drift: secondDrift, Length: secondLength}
	return measure.ErrorModel{
		Outer: ofEdges(edge, secondOuterFloor, secondOuterBias, e.OuterClockwise, e.OuterCounter),
		Inner: ofEdges(edge, secondInnerFloor, secondInnerBias, e.InnerClockwise, e.InnerCounter),
	}
}

// alongBone are the places along the bone: they hang on where a width or a
// height is least or greatest, which two sound estimates of an even shaft can
// put far apart.
var alongBone = map[measure.Quantity]bool{
	measure.VisibleFrom: true, measure.VisibleTo: true, measure.BowSpan: true, measure.BowApex: true,
	measure.IsthmusLevel: true, measure.IsthmusOuterWidth: true,
}

// compare measures the shaft again along the second estimate of its edges. A
// quantity that differs from the first by more than the uncertainties of both
// is a reason; at a single level, one that is farApart is dropped. What remains
// is the less certain for the difference.
func compare(r *measure.Record, f detect.Femur, id identity, sp geom.Spacing, shaft *measure.Shaft, opt measure.ShaftOptions) {
	e := f.Second
	f.OuterClockwise, f.InnerClockwise, f.OuterCounter, f.InnerCounter = e.OuterClockwise, e.InnerClockwise, e.OuterCounter, e.InnerCounter
	other, err := shaft.Along(contours(f, id, sp), opt.HasOrigin)
	if err != nil {
		return
	}
	opt.Errors = secondErrors(e)
	var again measure.Record
	other.Measure(&again, opt)
	difference := func(q measure.Quantity) float64 {
		d := r.Values[q].X - again.Values[q].X // both zero where there is none
		if q == measure.ShaftAxis {
			d = math.Remainder(d, 180) // a line has no sense
		}
		return math.Abs(d)
	}
	apart := func(q measure.Quantity) float64 {
		return difference(q) / max(math.Hypot(r.Values[q].U95, again.Values[q].U95), math.SmallestNonzeroFloat64)
	}
	for q := range again.Values {
		if _, ok := r.Values[q]; ok && !alongBone[q] && apart(q) > 1 {
			r.AddReason(measure.EstimatesDisagree)
		}
	}
	for _, level := range measure.Levels {
		at := []measure.Quantity{measure.CortexAt(r.View, true, level), measure.CortexAt(r.View, false, level),
			measure.OuterWidthAt(level), measure.CanalWidthAt(level), measure.CorticalIndexAt(level)}
		worst := 0.0
		for _, q := range at {
			if _, ok := r.Values[q]; ok {
				worst = max(worst, apart(q))
			}
		}
		for _, q := range at {
			if worst > farApart && apart(q) > 1 {
				delete(r.Values, q)
			}
		}
	}
	for q, v := range r.Values {
		if _, ok := again.Values[q]; ok {
			v.U95 = math.Hypot(v.U95, apartShare*difference(q))
			r.Values[q] = v
		}
	}
}
