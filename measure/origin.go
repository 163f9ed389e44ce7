package measure

import "shaftgauge/measure/geom"

// SetOrigin projects the tip of the lesser trochanter square onto the
// mid-diaphyseal line and counts the levels from there; they then lie at whole
// multiples of Step. Above its first place the line is prolonged straight, up
// to 70 mm. It returns false, and changes nothing, when the tip lies beyond
// the line's ends: the record then has no level origin.
func (s *Shaft) SetOrigin(tip geom.PointMM) bool {
	const atEnd = 1e-6 // mm
	above, _ := s.line.at(-originReach)
	_, at, _, _ := geom.Project(append([]geom.PointMM{above}, s.line.p...), tip)
	if at < atEnd || at > originReach+s.line.length()-atEnd {
		return false
	}
	before := *s
	s.origin = at - originReach
	s.level()
	if len(s.S) == 0 { // an edge full of holes at just these levels
		*s = before
		return false
	}
	return true
}
