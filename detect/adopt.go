package detect

import "math"

const (
	netSpread  = 0.27 // mm, of the places that the network was taught for one edge
	netLeast   = 0.05 // mm, the error of its best told edges
	netSigma   = 0.5  // of an edge's error in what a fit would call its sigma: of those the uncertainty takes twice
	netTold    = 0.7  // mm of spread at most of an edge that is told
	netGuessed = 0.2  // probability that an edge is there to see below which its place is a guess,
	netBorne   = 0.5  // unless the tube's fit is no farther from there, mm
	netApart   = 0.15 // of the distance from the fitted edge, which adds to the error
)

// within is the error of an edge where the network tells it, mm: on films that
// nothing was trained on it grows with what the spread exceeds that of the places
// taught by.
func (e StripEdge) within() float64 {
	return math.Max(netLeast, math.Sqrt(math.Max(0, e.Spread*e.Spread-netSpread*netSpread)))
}

// over moves an edge that a fit found at the distance at (found: ok) from the
// mid-line to the network's, which lies its depth below ref; false where the
// network does not tell it.
func (e StripEdge) over(at, sigma *float64, ok bool, ref float64) bool {
	apart := math.Abs(ref - e.Depth - *at)
	if e.Spread > netTold || e.Seen < netGuessed && !(ok && apart <= netBorne) {
		return false
	}
	*at, *sigma = ref-e.Depth, e.within()
	if ok {
		*sigma = math.Hypot(*sigma, netApart*apart)
	}
	*sigma *= netSigma
	return true
}

// adopt takes the edges of side s from the network, from the level from on, as far
// as the fit has followed the shaft and where no metal hides them: the network sees
// 100 mm of a shaft at once, the fit one level. An inner edge that the network does
// not tell is none: there the fit is mostly on something else.
func (t *shaftTrace) adopt(s int, c *course, m *metal, from int) {
	if c.strip == nil {
		return
	}
	ls := t.side[s]
	first, last := len(ls), -1
	for k, l := range ls {
		if l.ok {
			first, last = min(first, k), k
		}
	}
	for k := max(first, from); k <= last; k++ {
		j := int(math.Round(float64(k) * levelStep / fineStep))
		i := j - c.strip.first
		if i < 0 || i >= len(c.strip.Levels) {
			continue
		}
		l, seen, ref := &ls[k], &c.strip.Levels[i], c.refAt(float64(j))
		l.ok = seen.Outer.over(&l.outer, &l.sOuter, l.ok, ref) || l.ok
		l.innerOK = seen.Inner.over(&l.inner, &l.sInner, l.innerOK, ref)
		outer, inner := m.hides(t, k, s)
		l.ok, l.innerOK = l.ok && !outer, l.innerOK && !inner
	}
}
