package measure

import (
	"math"
	"slices"
	"sort"
)

// smoother holds the weights of one local polynomial fit: the fitted value and
// slope at its place are the sums of weight times datum, from index first on.
type smoother struct {
	first        int
	value, slope []float64
}

// apply returns the fitted value and slope (per mm) for the data y.
func (k smoother) apply(y []float64) (value, slope float64) {
	for i, w := range k.value {
		if w != 0 || k.slope[i] != 0 {
			value += w * y[k.first+i]
			slope += k.slope[i] * y[k.first+i]
		}
	}
	return value, slope
}

// localFit returns the weights of the polynomial of the given degree (1 or 2)
// fitted around x = at with tricube weights of half-width h. x ascends; data
// where y is NaN get no weight. ok is false with fewer than degree + 2 points
// in the window, or when they lie too close together.
//
// Source: W. S. Cleveland, J. Am. Stat. Assoc. 74 (1979) 829–836, without the
// robust steps.
func localFit(x, y []float64, at, h float64, degree int) (k smoother, ok bool) {
	ok = k.fit(x, y, at, h, degree)
	return k, ok
}

// fit is localFit in k's own memory: what k held before is lost, and with ok
// false it holds nothing.
func (k *smoother) fit(x, y []float64, at, h float64, degree int) (ok bool) {
	lo := sort.SearchFloat64s(x, at-h)
	hi := max(sort.SearchFloat64s(x, at+h), lo)
	k.first = lo
	k.value = slices.Grow(k.value[:0], hi-lo)[:hi-lo]
	k.slope = slices.Grow(k.slope[:0], hi-lo)[:hi-lo]
	clear(k.value)
	clear(k.slope)
	if ok = k.weigh(x, y, at, h, degree); !ok {
		k.value, k.slope = k.value[:0], k.slope[:0]
	}
	return ok
}

// weigh sets the weights, which are 0 before.
func (k *smoother) weigh(x, y []float64, at, h float64, degree int) (ok bool) {
	lo, hi := k.first, k.first+len(k.value)
	var m [5]float64 // Σ w u^k, u = (x − at)/h
	n := 0
	for i := lo; i < hi; i++ {
		u := (x[i] - at) / h
		w := tricube(u)
		if w == 0 || math.IsNaN(y[i]) {
			continue
		}
		n++
		k.value[i-lo] = w
		for j := range m {
			m[j] += w
			w *= u
		}
	}
	if n < degree+2 {
		return false
	}
	if degree == 1 {
		m[3], m[4] = 0, 1 // decouples the square term below
	}
	// Rows 0 and 1 of the inverse of the moment matrix, by cofactors.
	m02 := m[2]
	if degree == 1 {
		m02 = 0
	}
	c00 := m[2]*m[4] - m[3]*m[3]
	c01 := m[3]*m02 - m[1]*m[4]
	c02 := m[1]*m[3] - m[2]*m02
	c11 := m[0]*m[4] - m02*m02
	c12 := m[1]*m02 - m[0]*m[3]
	det := m[0]*c00 + m[1]*c01 + m02*c02
	if !(math.Abs(det) > 1e-9*m[0]*math.Abs(m[2]*m[4])) {
		return false
	}
	for i, w := range k.value {
		if w == 0 {
			continue
		}
		u := (x[lo+i] - at) / h
		uu := u * u
		if degree == 1 {
			uu = 0
		}
		k.value[i] = w * (c00 + c01*u + c02*uu) / det
		k.slope[i] = w * (c01 + c11*u + c12*uu) / det / h
	}
	return true
}

// tricube returns the weight (1 − |u|³)³ of a datum at u half-widths.
func tricube(u float64) float64 {
	u = math.Abs(u)
	if u >= 1 {
		return 0
	}
	v := 1 - u*u*u
	return v * v * v
}

// flatNear returns the level within reach of at where the local quadratic of
// half-width h through the data has slope zero, its weights there, and the
// slope's change per mm; by secants, from reach to both sides. Rate 0 and the
// level at itself when it is not flat in there.
func flatNear(level, y []float64, at, h, reach float64, degree int) (fit smoother, flat, rate float64) {
	lo, hi := at-reach, at+reach
	slopeAt := func(s float64) float64 {
		k, ok := localFit(level, y, s, h, degree)
		if !ok {
			return math.NaN()
		}
		fit = k
		_, slope := k.apply(y)
		return slope
	}
	a, b := slopeAt(lo), slopeAt(hi)
	if !(a*b < 0) {
		return smoother{}, at, 0
	}
	for range 4 { // the slope is nearly straight
		flat = lo + (hi-lo)*a/(a-b)
		rate = (b - a) / (hi - lo)
		c := slopeAt(flat)
		if !(math.Abs(c) > 1e-9) {
			break
		}
		if (c < 0) == (a < 0) {
			lo, a = flat, c
		} else {
			hi, b = flat, c
		}
	}
	return fit, flat, rate
}
