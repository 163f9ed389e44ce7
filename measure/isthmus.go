package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// leastRise is the rise in mm of the canal's width to both sides that makes a
// narrowest place: below it, a canal counts as even.
const leastRise geom.MM = 0.05

// isthmus is the narrowest place of the canal.
type isthmus struct {
	level      geom.MM
	levelSigma geom.MM // standard uncertainty along the bone
	canal      reading // smoothed
}

// findIsthmus looks for the narrowest canal within the visible diaphysis. The
// width is smoothed by a local line (tricube weights of half-width 10 mm) so
// that noise does not pick the minimum; the level is where that line's slope is
// zero. At a narrowest place the smoothing widens a canal that opens like a
// parabola, by 3 mm over 60 mm, by 0.01 mm. ok is false unless the canal widens, beyond doubt by the error
// model, towards both ends of what is visible.
//
// The level's expanded uncertainty is the larger of the propagated one and the
// distance to the farthest place of the diaphysis, also beyond a wider one, where
// the canal cannot be told from its narrowest.
func (s *Shaft) findIsthmus(d diaphysis, m ErrorModel) (out isthmus, ok bool) {
	width := s.CanalWidth()
	fits := make([]smoother, len(s.S))
	value := make([]float64, len(s.S))
	best := -1
	for i := d.lo; i <= d.hi; i++ {
		if fit, ok := localFit(s.S, width, s.S[i], canalHalfWidth, 1); ok {
			fits[i] = fit
			value[i], _ = fit.apply(width)
			if best < 0 || value[i] < value[best] {
				best = i
			}
		}
	}
	if best < 0 {
		return out, false
	}
	even := 0
	g := s.newGradient()
	for _, side := range [2]int{-1, 1} {
		rises := false
		for i := best + side; d.lo <= i && i <= d.hi; i += side {
			if fits[i].value == nil {
				continue
			}
			for e := 2; e < 4; e++ {
				clear(g[e])
				g.add(e, 1, fits[i].first, fits[i].value)
				g.add(e, -1, fits[best].first, fits[best].value)
			}
			rise, doubt := value[i]-value[best], expanded(s.variance(g, m))
			if rise <= doubt {
				even = max(even, side*(i-best))
			}
			rises = rises || rise > max(doubt, leastRise)
		}
		if !rises {
			return out, false
		}
	}
	flat, at, rate := flatNear(s.S, width, s.S[best], canalHalfWidth, s.Step, 1)
	fit, ok := localFit(s.S, width, at, canalHalfWidth, 1)
	if !ok {
		return out, false
	}
	out.level = at
	out.levelSigma = float64(even) * s.Step / Coverage
	out.canal.grad = s.newGradient()
	out.canal.x, _ = fit.apply(width)
	for e := 2; e < 4; e++ {
		out.canal.grad.add(e, 1, fit.first, fit.value)
	}
	if rate > 0 {
		for e := 2; e < 4; e++ {
			clear(g[e])
			g.add(e, 1/rate, flat.first, flat.slope)
		}
		out.levelSigma = max(out.levelSigma, math.Sqrt(s.variance(g, m)))
	}
	return out, true
}

// mostOpen is the share of the visible diaphysis beyond which an uncertainty of the
// isthmus' level, to either side, leaves open in which half of it the isthmus lies.
const mostOpen = 0.25

// DropOpenIsthmus leaves out a level of the isthmus that is open over half of the
// visible diaphysis or more.
func (r *Record) DropOpenIsthmus() {
	level, ok := r.Values[IsthmusLevel]
	if ok && level.U95 > mostOpen*(r.Values[VisibleTo].X-r.Values[VisibleFrom].X) {
		delete(r.Values, IsthmusLevel)
		r.AddReason(IsthmusNotResolved)
	}
}
