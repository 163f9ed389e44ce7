package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// Beside a bone's outer edge there is soft tissue. Where the film shows none, beyond the
// border of the field or at the film's black end, its edge may lie anywhere further out.
const (
	besideFrom  = 1.5  // mm outside an outer edge, from where
	besideTo    = 4.0  // to where tissue is looked for
	besideSharp = 0.6  // of the usual contrast: a sharper edge at the black end is one
	besideDark  = 0.01 // of the film's range above its black end: less is none
)

// surroundings is what a film shows beside a shaft.
type surroundings struct {
	film  *plane
	sp    geom.Spacing
	field field
	black float64 // brightness up to which it shows nothing; none: −1
}

// newSurroundings looks for the borders of g's field and for its black end.
func newSurroundings(g *plane, sp geom.Spacing) surroundings {
	return surroundings{g, sp, exposedField(g, sp), blackEnd(g)}
}

// blackEnd returns the brightness up to which g shows nothing; −1 where nothing on it is
// black.
func blackEnd(g *plane) float64 {
	lo, hi := uint16(1<<16-1), uint16(0)
	for _, v := range g.pix {
		lo, hi = min(lo, v), max(hi, v)
	}
	least, n := float64(lo)+burntMargin*float64(hi-lo), 0
	for _, v := range g.pix {
		if float64(v) <= least {
			n++
		}
	}
	if float64(n) < burntShare*float64(len(g.pix)) {
		return -1
	}
	return float64(lo) + besideDark*float64(hi-lo)
}

// dark tells whether the film shows nothing outside of the place p of an outer edge; out
// is the direction from the bone, of unit length.
func (s *surroundings) dark(p, out geom.PointMM) bool {
	const step = 0.5
	along := geom.PointMM{X: -out.Y, Y: out.X}
	sum, n := 0.0, 0.0
	for d := besideFrom; d <= besideTo; d += step {
		for _, a := range [3]float64{-levelSpan / 2, 0, levelSpan / 2} {
			q := p.Add(out.Mul(d)).Add(along.Mul(a))
			if v, ok := s.film.at(q.X/s.sp.X, q.Y/s.sp.Y); ok {
				sum += v
				n++
			}
		}
	}
	return n > 0 && sum/n <= s.black
}

// bare tells whether nothing is seen beside what t takes for the outer edge of side s at
// level k.
func (t *shaftTrace) bare(k, s int) bool {
	out := t.m.n[k]
	if s == 1 {
		out = out.Mul(-1)
	}
	p := t.m.p[k].Add(out.Mul(t.side[s][k].outer))
	return t.around.field.cuts(p, borderBeside) || t.side[s][k].contrast < t.lit && t.around.dark(p, out)
}

// light sets the contrast that an edge must have with nothing beside it: a share of the
// usual one where something is.
func (t *shaftTrace) light() {
	var seen, all []float64
	for s := range t.side {
		for k, l := range t.side[s] {
			if !l.ok || l.contrast == 0 {
				continue
			}
			all = append(all, l.contrast)
			out := t.m.n[k].Mul(1 - 2*float64(s))
			if !t.around.dark(t.m.p[k].Add(out.Mul(l.outer)), out) {
				seen = append(seen, l.contrast)
			}
		}
	}
	if 4*len(seen) < len(all) {
		seen = all
	}
	t.lit = math.Inf(1)
	if len(seen) > 0 {
		t.lit = besideSharp * median(seen)
	}
}

// clearBare takes from t the edges beside which nothing is seen.
func (t *shaftTrace) clearBare() {
	for s := range t.side {
		for k := range t.side[s] {
			if l := &t.side[s][k]; l.ok && t.bare(k, s) {
				l.ok, l.innerOK, t.bared = false, false, true
			}
		}
	}
}
