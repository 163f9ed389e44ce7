package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// pointHalfWidth is the half-width in mm of the local line through which a
// single mid-point of the mid-line is read.
const pointHalfWidth geom.MM = 8

// bowCurvature returns the curvature in 1/mm of the circle fitted to the
// mid-points, + apex to the positive side.
func (s *Shaft) bowCurvature(in span) (x float64, g gradient, ok bool) {
	p, level := s.midPoints(in)
	fit, err := fitArc(p, nil)
	if err != nil {
		return 0, g, false
	}
	g = s.newGradient()
	// Apex and centre lie on opposite sides.
	for j, dk := range fit.curvatureGradient() {
		g.midGradient(level[j], -dk)
	}
	return -s.sense * fit.arc().Curvature, g, true
}

// midPoint is a mid-point of the outer cortices read off the levels around it.
type midPoint struct {
	geom.PointMM
	fit smoother // of its shift to the positive side
}

// midPointAt reads the mid-point at level at in mm.
func (s *Shaft) midPointAt(at geom.MM, offset []float64) (midPoint, bool) {
	fit, ok := localFit(s.S, offset, at, pointHalfWidth, 1)
	if !ok || at < s.S[0] || at > s.S[len(s.S)-1] {
		return midPoint{}, false
	}
	shift, _ := fit.apply(offset)
	p, t := s.line.at(at + s.origin)
	return midPoint{PointMM: p.Add(s.normal(t).Mul(shift)), fit: fit}, true
}

func (m midPoint) addTo(g gradient, k float64) {
	g.add(0, k/2, m.fit.first, m.fit.value)
	g.add(1, -k/2, m.fit.first, m.fit.value)
}

// midOffset returns the shift of the measured mid-point from Mid to the
// positive side at each level.
func (s *Shaft) midOffset() []float64 {
	out := make([]float64, len(s.S))
	for i := range out {
		out[i] = (s.OuterPos[i] - s.OuterNeg[i]) / 2
	}
	return out
}

// bowAngle returns the angle in radians between the lines through the
// mid-points at the ends of the first and of the last quarter of the span,
// + apex to the positive side.
func (s *Shaft) bowAngle(in span) (x float64, g gradient, ok bool) {
	offset := s.midOffset()
	quarter := (in.to - in.from) / 4
	var m [4]midPoint
	for i, at := range [4]geom.MM{in.from, in.from + quarter, in.to - quarter, in.to} {
		if m[i], ok = s.midPointAt(at, offset); !ok {
			return 0, g, false
		}
	}
	a, b := m[1].Sub(m[0].PointMM), m[3].Sub(m[2].PointMM)
	g = s.newGradient()
	m[0].addTo(g, -1/a.Norm())
	m[1].addTo(g, 1/a.Norm())
	m[2].addTo(g, 1/b.Norm())
	m[3].addTo(g, -1/b.Norm())
	return -s.sense * float64(SignedAngle(a, b)), g, true
}

// sagitta is the greatest distance of the mid-line from its chord.
type sagitta struct {
	height         geom.MM // + to the positive side
	apex           geom.MM // level
	heightGrad     gradient
	apexGrad       gradient
	chordA, chordB midPoint

	// The greatest distance and its level on the line smoothed over 16 mm only, which
	// follows a focal thickening.
	peakHeight, peak geom.MM
}

// apexApart is by how much in mm the line at its peak must lie farther from the chord
// than at the apex for the peak to stand against it.
const apexApart geom.MM = 0.1

// ragged returns the variances in mm² that a line which is no smooth bow adds to height
// and apex: 95 % of them reaches to the peak.
func (b *sagitta) ragged() (height, apex float64) {
	more := math.Abs(b.peakHeight) - math.Abs(b.height)
	if more < apexApart {
		return 0, 0
	}
	return square(more / Coverage), square((b.peak - b.apex) / Coverage)
}

// bowSagitta finds the apex as the place where the mid-line runs parallel to
// the chord of the span and is farthest from it. Its direction is that of a
// local quadratic of a quarter of the span to each side: of a shorter one,
// noise would bend the line more than the bow does. The distance is read from
// the local quadratic of [NewShaft].
func (s *Shaft) bowSagitta(in span) (b sagitta, ok bool) {
	offset := s.midOffset()
	var okA, okB bool
	b.chordA, okA = s.midPointAt(in.from, offset)
	b.chordB, okB = s.midPointAt(in.to, offset)
	if !okA || !okB {
		return b, false
	}
	chord := b.chordB.Sub(b.chordA.PointMM)
	toPositive := s.normal(chord.Unit())
	height := make([]float64, len(s.S))
	for i := range height {
		height[i] = s.Mid[i].Add(s.Normal[i].Mul(offset[i])).Sub(b.chordA.PointMM).Dot(toPositive)
	}
	wide := (in.to - in.from) / 4
	at, top := in.from, 0.0
	for i := 1; i < sagittaSearch; i++ {
		place := in.from + (in.to-in.from)*float64(i)/sagittaSearch
		if fit, ok := localFit(s.S, height, place, wide, 2); ok {
			if value, _ := fit.apply(height); math.Abs(value) > math.Abs(top) {
				at, top = place, value
			}
		}
	}
	direction, at, rate := flatNear(s.S, height, at, wide, (in.to-in.from)/sagittaSearch, 2)
	fit, ok := localFit(s.S, height, at, smoothHalfWidth, 2)
	if !ok {
		return b, false
	}
	b.height, _ = fit.apply(height)
	b.apex = at
	for _, level := range s.S {
		if level < in.from || level > in.to {
			continue
		}
		if fit, ok := localFit(s.S, height, level, pointHalfWidth, 1); ok {
			if value, _ := fit.apply(height); math.Abs(value) > math.Abs(b.peakHeight) {
				b.peakHeight, b.peak = value, level
			}
		}
	}
	u := (at - in.from) / (in.to - in.from)
	b.heightGrad, b.apexGrad = s.newGradient(), s.newGradient()
	apex := midPoint{fit: fit}
	apex.addTo(b.heightGrad, 1)
	b.chordA.addTo(b.heightGrad, -(1 - u))
	b.chordB.addTo(b.heightGrad, -u)
	if rate != 0 {
		midPoint{fit: smoother{first: direction.first, value: direction.slope}}.addTo(b.apexGrad, -1/rate)
		b.chordA.addTo(b.apexGrad, -1/(rate*chord.Norm()))
		b.chordB.addTo(b.apexGrad, 1/(rate*chord.Norm()))
	}
	return b, true
}

// sagittaSearch is the number of equal parts of the span at whose joints the
// greatest distance is first looked for: well below a quarter, over which the
// line is smoothed.
const sagittaSearch = 24
