package film

import (
	"math"
	"slices"

	"shaftgauge/detect"
	"shaftgauge/measure"
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
	endSigma               = 4.0        // mm of the place where the trace ends, cut off by the film or lost
)

// errorModel is the error model of one traced femur.
func errorModel(f detect.Femur) measure.ErrorModel {
	edge := func(floor, bias float64, a, b detect.Edge) measure.EdgeError {
		return measure.EdgeError{White: whiteFactor, Drift: math.Hypot(floor, driftFactor*median(append(slices.Clone(a.Sigma), b.Sigma...))), Length: driftLength, Bias: bias}
	}
	return measure.ErrorModel{
		Outer:    edge(outerFloor, outerBias, f.OuterClockwise, f.OuterCounter),
		Inner:    edge(innerFloor, innerBias, f.InnerClockwise, f.InnerCounter),
		EndSigma: endSigma,
	}
}

// median of v; 0 for none. It sorts v.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2]
}
