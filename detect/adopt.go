package detect

import (
	"math"
	"slices"
)

const (
	netSpread  = 0.27 // mm, of the places that the network was taught for one edge
	netLeast   = 0.05 // mm, the error of its best told edges
	netSigma   = 0.5  // of an edge's error in what a fit would call its sigma: of those the uncertainty takes twice
	netTold    = 0.7  // mm of spread at most of an edge that is told
	netGuessed = 0.2  // probability that an edge is there to see below which its place is a guess,
	netBorne   = 0.5  // unless the tube's fit is no farther from there, mm
	netBridged = 3    // levels where the network is not sure of it that it may step over
	netOther   = 2.0  // mm from an edge that the fit has followed at which the network tells that it is another's,
	netOften   = 5    // at so many levels
	netFurther = 4    // levels past the end of a trace that the network must see for it to go on
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
	first, last := traced(ls)
	for k := max(first, from); k <= last; k++ {
		j := fineLevel(k)
		seen := c.stripAt(j)
		if seen == nil {
			continue
		}
		l, ref := &ls[k], c.refAt(float64(j))
		l.ok = seen.Outer.over(&l.outer, &l.sOuter, l.ok, ref) || l.ok
		l.innerOK = seen.Inner.over(&l.inner, &l.sInner, l.innerOK, ref)
		outer, inner := m.hides(t, k, s)
		l.ok, l.innerOK = l.ok && !outer, l.innerOK && !inner
	}
}

// prolong goes on with side s where the network sees its outer edge past the last
// level, or before the first one, no higher than the level from: a fit loses a bone
// at the steep flank of what stands out of it, behind something that lies over it, or
// where it gets faint. It tells whether it did.
func (t *shaftTrace) prolong(s int, c *course, hidden func(k, s int) bool, from int) bool {
	if c.strip == nil {
		return false
	}
	ls := t.side[s]
	first, last := traced(ls)
	if last < 0 {
		return false
	}
	on := func(end, to, step int) bool {
		n := 0
		for k := end + step; k*step <= to*step && (k-end)*step <= netBridged+1; k += step {
			at, ok := c.outerAt(k)
			if !ok || math.Abs(at-ls[end].outer) > runJump*float64((k-end)*step) {
				continue
			}
			was := ls[k]
			ls[k] = level{outer: at, sOuter: netSigma * sigmaSharp, ok: true}
			if hidden(k, s) {
				ls[k] = was
				break
			}
			end = k
			n++
		}
		return n >= netFurther
	}
	was := slices.Clone(ls)
	down := on(last, min(t.end, len(ls))-1, 1)
	if !down {
		copy(ls[last+1:], was[last+1:])
	}
	up := on(first, from, -1)
	if !up {
		copy(ls[:first], was[:first])
	}
	return down || up
}

// mend takes the network's outer edges of side s where the fit has followed another
// line for a while, a band of muscle's insertion or the edge of another bone, and
// leaves open what the network is not sure of. It tells whether there was such a line.
func (t *shaftTrace) mend(s int, c *course) bool {
	if c.strip == nil {
		return false
	}
	ls, off := t.side[s], 0
	for k, l := range ls {
		if at, ok := c.outerAt(k); ok && l.ok && math.Abs(at-l.outer) > netOther {
			off++
		}
	}
	if off < netOften {
		return false
	}
	for k := range ls {
		if l := &ls[k]; l.ok {
			at, ok := c.outerAt(k)
			if *l = (level{outer: at, inner: l.inner, sOuter: netSigma * sigmaSharp, sInner: l.sInner, ok: ok, innerOK: ok && l.innerOK}); !ok {
				l.outer = 0
			}
		}
	}
	return true
}

// outerAt returns the network's outer edge at level k of the trace; false where it is
// not sure of it.
func (c *course) outerAt(k int) (float64, bool) {
	j := fineLevel(k)
	l := c.stripAt(j)
	if l == nil || !l.Outer.sure() {
		return 0, false
	}
	return c.refAt(float64(j)) - l.Outer.Depth, true
}

// fineLevel is the level of a course at level k of the trace that it was made of.
func fineLevel(k int) int { return int(math.Round(float64(k) * levelStep / fineStep)) }

// traced returns the first and the last level with an outer edge; len(ls) and −1
// for none.
func traced(ls []level) (first, last int) {
	first, last = len(ls), -1
	for k, l := range ls {
		if l.ok {
			first, last = min(first, k), k
		}
	}
	return first, last
}
