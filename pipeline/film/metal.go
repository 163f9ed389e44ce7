package film

import (
	"math"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// noteMetal writes the implant's kind and what its metal does to the row.
func noteMetal(r *measure.Record, f detect.Femur) {
	r.Texts = map[string]string{"implant": f.Implant}
	if f.Implant != detect.ImplantNone && f.Implant != "" { // empty: not looked for
		r.AddReason(measure.ImplantPresent)
	}
	if f.MetalOverOuter > 0 || f.MetalOverInner > 0 {
		r.AddReason(measure.MetalOverCortex)
	}
}

// needs says which edges a quantity is found from, beyond those of one level, and
// from which share of them under metal on it is not given. Edges that metal hides
// are dropped by detect, so that numbers of one level go with them; so are the
// landmarks of hip and knee that metal covers.
var needs = []struct {
	outer, inner float64 // shares that may be hidden
	of           []measure.Quantity
}{
	// The bow's line runs through the middles of the outer edges; beside a canal
	// full of metal they are not seen well enough for it.
	{outer: 0.05, inner: 0.5, of: []measure.Quantity{measure.BowCurvature, measure.BowRadius, measure.BowAngle, measure.BowAngle50,
		measure.BowSagitta, measure.BowApex, measure.BowSpan}},
	// Angles and distances from the axis of a stretch, most of which must be seen.
	{outer: 0.15, inner: 1, of: []measure.Quantity{measure.NeckShaftAngle, measure.FemoralOffset, measure.AnatomicLateralDistal,
		measure.AnatomicMechanicalAngle}},
	// The narrowest place of the whole canal.
	{outer: 1, inner: 0.05, of: ofIsthmus},
}

// ofIsthmus are the quantities of the canal's narrowest place.
var ofIsthmus = []measure.Quantity{measure.IsthmusLevel, measure.IsthmusCanalWidth, measure.IsthmusOuterWidth,
	measure.IsthmusCorticalIndex, measure.CanalFlareIndex}

// isthmusSeen is how far to both sides of the isthmus, in mm, every edge must be
// seen on a femur of which metal hides any.
const isthmusSeen geom.MM = 4

// dropBeside takes out an isthmus with edges hidden beside it.
func dropBeside(r *measure.Record, f detect.Femur, shaft *measure.Shaft) {
	if at, ok := r.Values[measure.IsthmusLevel]; ok && f.MetalOverOuter+f.MetalOverInner > 0 {
		outer, canal := shaft.OuterWidth(), shaft.CanalWidth()
		for i, s := range shaft.S {
			if math.Abs(s-at.X) <= isthmusSeen && math.IsNaN(outer[i]+canal[i]) {
				for _, q := range ofIsthmus {
					delete(r.Values, q)
				}
			}
		}
	}
}

// dropHidden takes out what needs a long stretch of edges of which metal hides
// too much.
func dropHidden(r *measure.Record, f detect.Femur) {
	for _, n := range needs {
		if f.MetalOverOuter <= n.outer && f.MetalOverInner <= n.inner {
			continue
		}
		for _, q := range n.of {
			delete(r.Values, q)
			if q == measure.BowCurvature {
				r.BowPlane = ""
			}
		}
	}
}
