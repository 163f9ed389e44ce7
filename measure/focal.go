package measure

import (
	"cmp"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// The words of focal_surface.
const (
	Periosteal = "periosteal"
	Endosteal  = "endosteal"
	BothFaces  = "both"
)

// CortexEdges are the two edges of one cortex, traced finely enough to carry
// what is a centimetre long.
type CortexEdges struct{ Outer, Inner Edge }

// FocalOptions says what a search for focal thickenings may use.
type FocalOptions struct {
	HasOrigin   bool    // levels count from the lesser trochanter
	OriginSigma float64 // mm
	// Signs are what a second reading of the picture shows by level; nil: none.
	Signs []FocalSign
}

const (
	leastAssessed = 60.0 // mm of diaphysis with both edges of the cortex
	beyondEnds    = 15.0 // mm beyond the diaphysis that still help to tell its baseline
	mostTried     = 8    // bumps looked at
	mostHeight    = 4.5  // mm: what stands out farther is an edge that was traced wrongly, unless the signs are sure of it (common practice, no source),
	heightEnd     = 8.0  // mm: and this in any case
	leftover      = 0.6  // of a thickening's height that its shape may leave over beside it
)

// FindFocal looks for focal thickenings of the lateral cortex along the visible
// diaphysis: stretches of 7 to 40 mm where it is thicker than its own course
// before and behind lets expect. Each of the outer edge, the inner edge and the
// thickness is fitted, at every level and for bumps of every length, by a cubic
// and the bump; the noise is the robust standard deviation of the heights so
// fitted where nothing is, at the same length. A bump that the medial cortex
// has too at the same level, or of one edge only because the bone bends, is
// none. Found ones come proximal first.
//
// assessed is false where nothing was found but too little of the cortex is
// seen, its noise could hide a thickening of 1.2 mm, or its trace went astray.
func (s *Shaft) FindFocal(lateral, medial CortexEdges, o FocalOptions) (found []Focal, assessed bool) {
	const op = "FindFocal"
	lat, err := s.profileOf(op, lateral, 1)
	if err != nil {
		return nil, false
	}
	med, err := s.profileOf(op, medial, -1)
	if err != nil {
		return nil, false
	}
	d := s.diaphysis(o.HasOrigin)
	lat.clip(s, d)
	both := lat.both(s, d) * s.Step
	if both < leastAssessed && len(o.Signs) == 0 {
		return nil, false
	}
	search := newFocalSearch(s.S, s.Step, lat, med, s.signsOf(o.Signs))
	var astray, callus []Focal // too high; all round
	for range mostTried {
		c, ok := search.next(d)
		if !ok {
			break
		}
		if !c.inside(d) || !c.stands() {
			continue
		}
		search.remove(&c)
		if h := c.height(); h > heightEnd || h > mostHeight && !c.sure() {
			astray = append(astray, c.focal(o))
			continue
		}
		switch {
		case beside(found, &c) || beside(astray, &c) || beside(callus, &c):
		case c.holds() && !(o.HasOrigin && c.gluteal()):
			found = append(found, c.focal(o))
		case c.allRound():
			callus = append(callus, c.focal(o))
		}
	}
	slices.SortFunc(found, func(a, b Focal) int { return cmp.Compare(a.Level.X, b.Level.X) })
	return found, len(found) > 0 || len(astray) == 0 && both >= leastAssessed && search.couldShow(d)
}

// beside tells whether c is no more than what the shape of one that was found
// leaves over.
func beside(found []Focal, c *candidate) bool {
	for _, f := range found {
		if math.Abs(f.Level.X-c.search.x[c.outer.at]) < f.Length.X+focalLengths[c.k]/2 && c.height() < leftover*f.Height.X {
			return true
		}
	}
	return false
}

// DrawFocal returns where the thickening lies on the film of spacing sp.
func (s *Shaft) DrawFocal(t Focal, lateral CortexEdges, sp geom.Spacing) FocalPx {
	at := func(level float64) geom.PointPx {
		i := min(max(int(math.Round((level-s.S[0])/s.Step)), 0), len(s.S)-1)
		best := math.Inf(1)
		var p geom.PointMM
		for _, q := range lateral.Outer.P {
			if d := math.Abs(q.Sub(s.Mid[i]).Cross(s.Normal[i])); d < best && q.Sub(s.Mid[i]).Norm() < mostHalf {
				best, p = d, q
			}
		}
		return sp.Px(p)
	}
	return FocalPx{t.Level.X, t.Height.X, at(t.Level.X - t.Length.X/2), at(t.Level.X + t.Length.X/2), at(t.Level.X)}
}

// LevelOf returns the level whose normal passes nearest to p.
func (s *Shaft) LevelOf(p geom.PointMM) float64 {
	best, at := math.Inf(1), 0.0
	for i := range s.S {
		d := p.Sub(s.Mid[i])
		if off := math.Abs(d.Cross(s.Normal[i])); off < best && d.Norm() < mostHalf {
			best, at = off, s.S[i]
		}
	}
	return at
}
