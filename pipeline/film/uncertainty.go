package film

import (
	"math"
	"slices"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// What the edges' own sigmas leave out. On simulated films of known truth the
// error of an edge grows in step with the sigma that its fit gives, by a factor
// of 1.7 to 2, and runs along the shaft for some 20 mm: blur, enhancement and
// cross-section that the model does not have in full stay the same from level
// to level. So the film's median sigma carries most of the uncertainty as a
// drift, and each level's own sigma the rest. The factors were fitted on films
// of one seed and are checked on others (make accuracy).
const (
	whiteFactor = 1.5
	driftFactor = 1.4
	driftLength = 20.0 // mm

	outerFloor, innerFloor = 0.03, 0.06 // mm of drift on the sharpest film
	outerBias, innerBias   = 0.02, 0.05 // mm, common to both sides and all levels

	// Where the trace ends: by the film, to some 2 mm; where the film goes on
	// to show something, the bone was lost, and may end anywhere there.
	cutSigma  = 1.7 // mm
	lostShare = 0.4 // of what the film shows beyond
	lostMost  = 60.0
)

// errorModel is the error model of one traced femur.
func errorModel(f detect.Femur, reversed bool) measure.ErrorModel {
	edge := measure.EdgeError{White: whiteFactor, Drift: driftFactor, Length: driftLength}
	end := func(i int) geom.MM {
		if reversed {
			i = 1 - i
		}
		return math.Hypot(cutSigma, lostShare*min(f.Beyond[i], lostMost))
	}
	return measure.ErrorModel{
		Outer:    ofEdges(edge, outerFloor, outerBias, f.OuterClockwise, f.OuterCounter),
		Inner:    ofEdges(edge, innerFloor, innerBias, f.InnerClockwise, f.InnerCounter),
		EndSigma: [2]geom.MM{end(0), end(1)},
	}
}

// ofEdges is the error of the edges a and b of both sides: e, whose drift is that
// many times their median sigma and, in mm, the floor; bias mm are common to both.
func ofEdges(e measure.EdgeError, floor, bias float64, a, b detect.Edge) measure.EdgeError {
	e.Drift, e.Bias = math.Hypot(floor, e.Drift*median(slices.Concat(a.Sigma, b.Sigma))), bias
	return e
}

// median of v; 0 for none. It sorts v.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}
