package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// flank is how far in mm below its tip the lesser trochanter may still push one
// edge outwards, and with it the mid-points; trend is the length of shaft below
// that whose bend says how the mid-line goes on above. Both were chosen on
// simulated femurs with steep flanks.
const (
	flank geom.MM = 35
	trend geom.MM = 60
)

// SetOrigin projects the tip of the lesser trochanter square onto the
// mid-diaphyseal line and counts the levels from there; they then lie at whole
// multiples of Step. The line is that of the shaft alone: within 35 mm below
// the tip mid-points lie towards the trochanter, so there it goes on as the
// shaft below bends. Above its first place the line is prolonged straight, up
// to 70 mm. It returns false, and changes nothing, when the tip lies beyond
// the line's ends: the record then has no level origin.
func (s *Shaft) SetOrigin(tip geom.PointMM) bool {
	const atEnd = 1e-6 // mm
	above, _ := s.line.at(-originReach)
	_, at, _, _ := geom.Project(append([]geom.PointMM{above}, s.line.p...), tip)
	if at < atEnd || at > originReach+s.line.length()-atEnd {
		return false
	}
	origin := s.besideFlank(tip, at-originReach)
	before := *s
	s.origin = origin
	s.level()
	if len(s.S) == 0 { // an edge full of holes at just these levels
		*s = before
		return false
	}
	return true
}

// besideFlank returns the arc length at which the tip lies square to the
// mid-line as the shaft below the trochanter's flank continues it; origin is
// where it lies square to the mid-line as it is.
func (s *Shaft) besideFlank(tip geom.PointMM, origin geom.MM) geom.MM {
	below := origin + flank
	if below <= 0 || below > s.line.length() {
		return origin
	}
	p, t := s.line.at(below)
	var bend float64 // radians per mm
	if below+trend <= s.line.length() {
		_, next := s.line.at(below + trend)
		bend = math.Atan2(t.Cross(next), t.Dot(next)) / trend
	}
	for range 5 {
		up := below - origin
		place := p.Sub(rotated(t, -bend*up/2).Mul(up))
		origin += tip.Sub(place).Dot(rotated(t, -bend*up))
	}
	return origin
}

// rotated turns v by an angle in radians, from x towards y.
func rotated(v geom.PointMM, by float64) geom.PointMM {
	sin, cos := math.Sincos(by)
	return geom.PointMM{X: cos*v.X - sin*v.Y, Y: sin*v.X + cos*v.Y}
}
