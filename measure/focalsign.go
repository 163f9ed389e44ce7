package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// FocalSign is what the picture of the lateral cortex shows at one level, by a
// reading that does not go by the traced edges.
type FocalSign struct {
	At    geom.PointMM // on the outer edge
	Focal float64      // probability that a focal thickening covers the level
	Seen  float64      // probability that the cortex's edges are there to see
	Line  float64      // probability that a dark line crosses the cortex
}

// signs are the FocalSigns by level of a shaft; NaN where there is none.
type signs struct{ focal, seen, line []float64 }

// signsOf casts the signs on the shaft's levels; nil for none.
func (s *Shaft) signsOf(v []FocalSign) *signs {
	if len(v) == 0 {
		return nil
	}
	n := len(s.S)
	nan := func() []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = math.NaN()
		}
		return out
	}
	out := &signs{nan(), nan(), nan()}
	last := -1
	for _, x := range v {
		at := int(math.Round((s.LevelOf(x.At) - s.S[0]) / s.Step))
		if at < 0 || at >= n || x.At.Sub(s.Mid[at]).Dot(s.Normal[at]) < 0 {
			continue
		}
		put := func(i int) {
			out.focal[i], out.seen[i], out.line[i] = x.Focal, x.Seen, x.Line
		}
		if last >= 0 && abs(at-last) == 2 { // the levels of the two are not the same
			put((at + last) / 2)
		}
		put(at)
		last = at
	}
	return out
}

// around is the highest probability, over signSpan levels, of a thickening within
// half a length of a bump; even where nothing is known.
func (s *signs) around(at, near int) float64 {
	if s == nil {
		return 0.5
	}
	top := math.NaN()
	for i := at - near; i <= at+near; i++ {
		sum, n := 0.0, 0.0
		for j := max(0, i-signSpan/2); j <= min(len(s.focal)-1, i+signSpan/2); j++ {
			if !math.IsNaN(s.focal[j]) {
				sum += s.focal[j]
				n++
			}
		}
		if n > signSpan/2 && !(sum/n <= top) {
			top = sum / n
		}
	}
	if math.IsNaN(top) {
		return 0.5
	}
	return top
}

// share is the mean probability of a thickening within half a length of a bump; even
// where too little is known.
func (s *signs) share(at, near int) float64 {
	sum, n := 0.0, 0.0
	for i := max(0, at-near); i <= min(len(s.focal)-1, at+near); i++ {
		if !math.IsNaN(s.focal[i]) {
			sum += s.focal[i]
			n++
		}
	}
	if n < float64(near) {
		return 0.5
	}
	return sum / n
}

// lined tells whether a dark line crosses the cortex within half a length of a bump.
func (s *signs) lined(at, near int) bool {
	for i := max(0, at-near); s != nil && i <= min(len(s.line)-1, at+near); i++ {
		if s.line[i] > signLined { // false for NaN
			return true
		}
	}
	return false
}

// lineAt returns the level at which a dark line crosses the cortex within half a length
// of a bump; false where none does.
func (s *signs) lineAt(x []float64, at, near int) (i int, ok bool) {
	if !s.lined(at, near) {
		return at, false
	}
	return int(math.Round((mean(x, s.line, at, near, middleFrom) - x[0]) / (x[1] - x[0]))), true
}

// signLined is the probability from which a dark line is one.
const signLined = 0.8

// signSpan is the number of levels over which a probability is taken.
const signSpan = 5

// middle is where the signs have the middle of a bump of that length around level
// at, and the standard deviation of that: at a dark line, which crosses a thickening
// where it is highest, else in the middle of the probabilities; NaN where they say
// of none.
func (s *signs) middle(x []float64, at, near int, length float64) (level, sigma float64) {
	if s == nil {
		return math.NaN(), math.NaN()
	}
	if level = mean(x, s.line, at, near, middleFrom); !math.IsNaN(level) && s.lined(at, near) {
		return level, lineMM + linePart*length
	}
	return mean(x, s.focal, at, 2*near, middleFrom), nearMM + nearPart*length
}

// mean is the mean of x from at-near to at+near, each weighted by its probability in p
// where that is above least; NaN for none.
func mean(x, p []float64, at, near int, least float64) float64 {
	sum, w := 0.0, 0.0
	for i := max(0, at-near); i <= min(len(x)-1, at+near); i++ {
		if p[i] > least { // false for NaN
			sum += p[i] * x[i]
			w += p[i]
		}
	}
	return sum / w
}

// How far the middle by the signs is from a bump's summit, in mm and in parts of its
// length: by a dark line, and by the probabilities.
const (
	lineMM     = 0.8
	linePart   = 0.03
	nearMM     = 2.0
	nearPart   = 0.1
	middleFrom = 0.3 // of probability from which a level counts for a middle
)

// shows tells whether a thickening would show at level i.
func (s *signs) shows(i int) bool {
	return s != nil && s.seen[i] > signSeen // false for NaN
}

// signSeen is the probability that both edges are there to see from which a level
// is one that would show a thickening.
const signSeen = 0.7
