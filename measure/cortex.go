package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// levelHalfWidth is the half-width in mm of the local line (tricube weights)
// through which a thickness or width is read off at one level: about 5 mm
// between half weights, over which a real cortex is straight to a few
// hundredths of a millimetre.
const levelHalfWidth geom.MM = 4

// reading is a quantity read off at one level: its value, its change per mm of
// level, and its gradient.
type reading struct {
	x, slope float64
	grad     gradient
}

// readAt reads Σ sign[e]·distance[e] at level at. ok is false where one of the
// edges taking part was not seen at the nearest level or too little around it.
func (s *Shaft) readAt(at geom.MM, sign [4]float64) (r reading, ok bool) {
	if at < s.S[0] || at > s.S[len(s.S)-1] {
		return r, false
	}
	y := make([]float64, len(s.S))
	for e, distance := range s.distances() {
		if sign[e] != 0 {
			for i, d := range *distance {
				y[i] += sign[e] * d
			}
		}
	}
	nearest := min(max(int(math.Round((at-s.S[0])/s.Step)), 0), len(y)-1)
	if math.IsNaN(y[nearest]) {
		return r, false
	}
	fit, ok := localFit(s.S, y, at, max(levelHalfWidth, 2.5*s.Step), 1)
	if !ok {
		return r, false
	}
	r.x, r.slope = fit.apply(y)
	r.grad = s.newGradient()
	for e, k := range sign {
		r.grad.add(e, k, fit.first, fit.value)
	}
	return r, true
}

// What is read at a level, as signs of the four distances.
var (
	cortexPos = [4]float64{1, 0, -1, 0}
	cortexNeg = [4]float64{0, 1, 0, -1}
	outerBoth = [4]float64{1, 1, 0, 0}
	innerBoth = [4]float64{0, 0, 1, 1}
)

// corticalIndex returns (outer − canal)/outer of two readings at one level.
func corticalIndex(outer, canal reading) reading {
	r := reading{
		x:     1 - canal.x/outer.x,
		slope: (canal.x*outer.slope/outer.x - canal.slope) / outer.x,
	}
	for e := range r.grad {
		r.grad[e] = make([]float64, len(outer.grad[e]))
		for i := range r.grad[e] {
			r.grad[e][i] = (canal.x*outer.grad[e][i]/outer.x - canal.grad[e][i]) / outer.x
		}
	}
	return r
}
