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

	// narrowAgain is the length in mm of shaft, narrower than the flare's width again,
	// that tells a swelling of the shaft before it, such as callus, from the flare.
	narrowAgain geom.MM = 30
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
// 0.16 mm per mm. Where the shaft is narrower again further on it was a swelling,
// not the flare. The width is judged as smoothed by a local line over about
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
	growth                 growth // where the flare ends the diaphysis
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

// growth is how far the outer width is beyond each of the two conditions that end
// the diaphysis, by level.
type growth struct {
	first               int       // level from which on it is judged
	wide, steep         []float64 // mm, and mm per mm; NaN where the width was not seen
	wideGrad, steepGrad gradient  // of the two, where they end the diaphysis
}

// flare returns the place and the level where both conditions are first met when
// the width is by wide mm and its growth by steep mm per mm more than measured;
// false and the last level where they never are.
func (s *Shaft) flare(g *growth, wide, steep float64) (to geom.MM, level int, ok bool) {
	for i := max(g.first, g.swellingsEnd(int(narrowAgain/s.Step), wide)); i < len(s.S); i++ {
		w, t := g.wide[i]+wide, g.steep[i]+steep
		if !(w > 0 && t > 0) {
			continue
		}
		// Between the level before and this one, the condition that came true
		// last crossed zero: there is the end, by linear interpolation.
		back := math.Inf(1)
		if before := g.wide[i-1] + wide; before <= 0 {
			back = w / (w - before)
		}
		if before := g.steep[i-1] + steep; before <= 0 {
			back = min(back, t/(t-before))
		}
		if math.IsInf(back, 1) { // true from the first level looked at
			back = 0
		}
		return s.S[i] - back*s.Step, i, true
	}
	return s.S[len(s.S)-1], 0, false
}

// swellingsEnd returns the last level of the most distal n levels in a row that are
// narrower than the flare when the width is by wide mm more than measured; 0 where
// there are none.
func (g *growth) swellingsEnd(n int, wide float64) int {
	run := 0
	for i := len(g.wide) - 1; i > 0; i-- {
		if run++; !(g.wide[i]+wide <= 0) {
			run = 0
		}
		if run == n {
			return i + n - 1
		}
	}
	return 0
}

// flareSigma returns the standard uncertainty of the flare's level. The growth of
// a femur hovers about the condition's over a centimetre and more, where a small
// error moves the first level that meets it far: so each condition is moved by
// its own standard uncertainty and by twice that, to both sides.
func (s *Shaft) flareSigma(d *diaphysis, e ErrorModel) geom.MM {
	variance := 0.0
	for i, grad := range [2]gradient{d.growth.wideGrad, d.growth.steepGrad} {
		sigma, most := math.Sqrt(s.variance(grad, e)), 0.0
		for _, k := range [4]float64{-2, -1, 1, 2} {
			var by [2]float64
			by[i] = k * sigma
			to, _, _ := s.flare(&d.growth, by[0], by[1])
			most = max(most, math.Abs((to-d.to)/k))
		}
		variance += square(most)
	}
	return math.Sqrt(variance)
}

// findFlare sets the distal end of d where the flare is seen.
func (s *Shaft) findFlare(d *diaphysis) {
	width, canal := s.OuterWidth(), s.CanalWidth()
	n := len(s.S)
	g := growth{wide: make([]float64, n), steep: make([]float64, n)}
	isthmus, least := -1, math.Inf(1)
	narrowest, smallest := -1, math.Inf(1)
	var fit, waist smoother
	for i := d.lo; i < n; i++ {
		g.wide[i] = math.NaN()
		if fit.fit(s.S, width, s.S[i], widthHalfWidth, 1) {
			g.wide[i], g.steep[i] = fit.apply(width)
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
	for i := range g.wide {
		g.wide[i] -= flareRatio * smallest
		g.steep[i] -= flareSlope
	}
	g.first = max(isthmus, d.lo+1)
	to, level, ok := s.flare(&g, 0, 0)
	if !ok {
		return
	}
	here, _ := localFit(s.S, width, s.S[level], widthHalfWidth, 1)
	g.wideGrad, g.steepGrad = s.newGradient(), s.newGradient()
	for e := range 2 {
		g.wideGrad.add(e, 1, here.first, here.value)
		g.wideGrad.add(e, -flareRatio, waist.first, waist.value)
		g.steepGrad.add(e, 1, here.first, here.slope)
	}
	d.to, d.cutDistal, d.growth = to, false, g
}
