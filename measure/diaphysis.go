package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	// diaphysisStart is the level in mm below the origin where the diaphysis
	// begins, flareRatio and flareSlope (mm per mm) are the outer width's
	// growth that ends it: definitions of the contract.
	diaphysisStart geom.MM = 20
	flareRatio             = 1.15
	flareSlope             = 0.16

	// widthHalfWidth is the half-width in mm of the local line that smooths
	// the outer width before its growth is judged: tricube weights, about
	// 10 mm between half weights.
	widthHalfWidth geom.MM = 8
	// canalHalfWidth is that of the local line that smooths the canal before
	// its narrowest place is sought.
	canalHalfWidth geom.MM = 10
)

// OuterWidth returns the outer width in mm at each level, NaN where not seen.
func (s *Shaft) OuterWidth() []geom.MM { return plus(s.OuterPos, s.OuterNeg) }

// CanalWidth returns the width of the medullary canal in mm at each level, NaN
// where not seen.
func (s *Shaft) CanalWidth() []geom.MM { return plus(s.InnerPos, s.InnerNeg) }

func plus(a, b []float64) []float64 {
	out := make([]float64, len(a))
	for i := range out {
		out[i] = a[i] + b[i]
	}
	return out
}

// Diaphysis returns the levels in mm between which the diaphysis is visible.
// It begins 20 mm below the level origin, which is the top level where the
// lesser trochanter is not known, and
// ends at the supracondylar flare: the first level distal to the isthmus where
// the outer width exceeds 1.15 times its smallest and grows by more than
// 0.16 mm per mm. The width is judged as smoothed by a local line over about
// 10 mm, its smallest over about 30 mm so that noise does not pick it.
// cutProximal and cutDistal say that the visible shaft ends before that end is reached;
// without an origin the proximal end is not known and counts as cut.
func (s *Shaft) Diaphysis(hasOrigin bool) (from, to float64, cutProximal, cutDistal bool) {
	d := s.diaphysis(hasOrigin)
	return d.from, d.to, d.cutProximal, d.cutDistal
}

// diaphysis is the visible diaphysis.
type diaphysis struct {
	from, to               geom.MM
	lo, hi                 int // levels from ≤ S[i] ≤ to
	cutProximal, cutDistal bool
	flare                  gradient // of the flare's level, where it ends the diaphysis
}

// diaphysis looks once for each kind of origin and keeps what it finds until
// the levels change.
func (s *Shaft) diaphysis(hasOrigin bool) diaphysis {
	kept := &s.found[0]
	if hasOrigin {
		kept = &s.found[1]
	}
	if *kept == nil {
		d := s.findDiaphysis(hasOrigin)
		*kept = &d
	}
	return **kept
}

func (s *Shaft) findDiaphysis(hasOrigin bool) diaphysis {
	last := len(s.S) - 1
	d := diaphysis{from: s.S[0], to: s.S[last], hi: last, cutProximal: true, cutDistal: true}
	switch {
	case !hasOrigin: // levels count from the shaft's top
		d.from = min(s.S[0]+diaphysisStart, s.S[last])
	case s.S[0] <= diaphysisStart:
		d.from, d.cutProximal = diaphysisStart, false
	}
	for d.lo < last && s.S[d.lo] < d.from {
		d.lo++
	}
	s.findFlare(&d)
	for d.hi > d.lo && s.S[d.hi] > d.to {
		d.hi--
	}
	return d
}

// findFlare sets the distal end of d where the flare is seen.
func (s *Shaft) findFlare(d *diaphysis) {
	width, canal := s.OuterWidth(), s.CanalWidth()
	n := len(s.S)
	smooth, slope := make([]float64, n), make([]float64, n)
	isthmus, least := -1, math.Inf(1)
	narrowest, smallest := -1, math.Inf(1)
	var fit, waist smoother
	for i := d.lo; i < n; i++ {
		smooth[i] = math.NaN()
		if fit.fit(s.S, width, s.S[i], widthHalfWidth, 1) {
			smooth[i], slope[i] = fit.apply(width)
		}
		if fit.fit(s.S, width, s.S[i], smoothHalfWidth, 1) {
			if w, _ := fit.apply(width); w < smallest {
				narrowest, smallest = i, w
				fit, waist = waist, fit
			}
		}
		if fit.fit(s.S, canal, s.S[i], widthHalfWidth, 1) {
			if c, _ := fit.apply(canal); c < least {
				isthmus, least = i, c
			}
		}
	}
	if narrowest < 0 {
		return
	}
	if isthmus < 0 { // no inner edges: the bone's own waist stands in
		isthmus = narrowest
	}
	limit := flareRatio * smallest
	excess := func(i int) (wide, steep float64) { return smooth[i] - limit, slope[i] - flareSlope }
	for i := max(isthmus, d.lo+1); i < n; i++ {
		wide, steep := excess(i)
		if !(wide > 0 && steep > 0) {
			continue
		}
		here, _ := localFit(s.S, width, s.S[i], widthHalfWidth, 1)
		d.cutDistal = false
		d.flare = s.newGradient()
		// Between the level before and this one, the condition that came true
		// last crossed zero: there is the end, by linear interpolation.
		wideBefore, steepBefore := excess(i - 1)
		byWidth, bySlope := math.Inf(1), math.Inf(1)
		if wideBefore <= 0 {
			byWidth = wide / (wide - wideBefore)
		}
		if steepBefore <= 0 {
			bySlope = steep / (steep - steepBefore)
		}
		back := min(byWidth, bySlope)
		switch {
		case math.IsInf(back, 1): // true from the first level looked at
			back = 0
		case back == byWidth:
			rate := -1 / slope[i]
			for e := range 2 {
				d.flare.add(e, rate, here.first, here.value)
				d.flare.add(e, -flareRatio*rate, waist.first, waist.value)
			}
		default:
			rate := -s.Step / (steep - steepBefore)
			for e := range 2 {
				d.flare.add(e, rate, here.first, here.slope)
			}
		}
		d.to = s.S[i] - back*s.Step
		return
	}
}
