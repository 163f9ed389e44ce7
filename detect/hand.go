package detect

import (
	"errors"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

const (
	nearEdge = 10.0 // mm from an edge that a hand may take hold of it
	mostHand = 9.0  // mm that it may move it at once: more, over a fade of 15 mm, would fold it
)

// MoveEdge moves one edge of f by hand: where it is nearest to from it goes by
// to less from, and less and less over fade mm along it to both sides. There
// the edge has the standard uncertainty sigma, mm, and counts for both
// estimates of it: an edge that a person set is not doubted by a second look of
// the program's. Slices of f are replaced, not written to.
//
// Errors, for people: no edge there, or too long a move.
func (f *Femur) MoveEdge(clockwise, outer bool, from, to geom.PointPx, sigma, fade float64) error {
	sp := f.WorkingSpacing
	by := sp.MM(to).Sub(sp.MM(from))
	if !(by.Norm() <= mostHand) { // a NaN too
		return errors.New("moves the edge by more than 9 mm")
	}
	s, e, second := f.edge(clockwise, outer)
	h := hand{at: sp.MM(from), by: by, sigma: sigma, fade: fade}
	moved, ok := h.edge(*e, sp)
	if !ok {
		return errors.New("no edge was found there")
	}
	*e = moved
	*second = h.instead(*second, moved, sp)
	if c := f.fine[s]; c != nil {
		f.fine[s] = h.course(c, outer)
		f.CortexClockwise, f.CortexCounter = f.fineCortex(0), f.fineCortex(1)
	}
	return nil
}

// edge is one edge of f in both estimates of it; s is the cortex that it is of.
func (f *Femur) edge(clockwise, outer bool) (s int, e, second *Edge) {
	switch {
	case clockwise && outer:
		return 0, &f.OuterClockwise, &f.Second.OuterClockwise
	case clockwise:
		return 0, &f.InnerClockwise, &f.Second.InnerClockwise
	case outer:
		return 1, &f.OuterCounter, &f.Second.OuterCounter
	}
	return 1, &f.InnerCounter, &f.Second.InnerCounter
}

func (f *Femur) fineCortex(s int) Cortex {
	if f.fine[s] == nil {
		return Cortex{}
	}
	return f.fine[s].cortex()
}

// hand is a place on an edge and the way it is moved, mm.
type hand struct {
	at, by geom.PointMM
	sigma  float64
	fade   float64
}

// weight is 1 at the hand and falls to 0 at fade mm along the edge.
func (h hand) weight(along float64) float64 {
	if math.Abs(along) >= h.fade {
		return 0
	}
	return 0.5 * (1 + math.Cos(math.Pi*along/h.fade))
}

// edge returns e moved; false where it has no point near the hand.
func (h hand) edge(e Edge, sp geom.Spacing) (Edge, bool) {
	k := nearestPoint(e.P, h.at, sp)
	if k < 0 || sp.MM(e.P[k]).Sub(h.at).Norm() > nearEdge {
		return e, false
	}
	out := Edge{P: slices.Clone(e.P), Sigma: slices.Clone(e.Sigma)}
	for _, step := range [2]int{-1, 1} {
		along := 0.0
		for i := k; i >= 0 && i < len(e.P); i += step {
			if i != k {
				along += sp.MM(e.P[i]).Sub(sp.MM(e.P[i-step])).Norm()
			} else if step > 0 {
				continue // moved already
			}
			w := h.weight(along)
			if w == 0 {
				break
			}
			out.P[i] = sp.Px(sp.MM(e.P[i]).Add(h.by.Mul(w)))
			out.Sigma[i] = math.Hypot((1-w)*e.Sigma[i], w*h.sigma)
		}
	}
	return out, true
}

// instead returns the second estimate with moved in its place as far as the
// hand reaches.
func (h hand) instead(second, moved Edge, sp geom.Spacing) Edge {
	if len(second.P) == 0 {
		return second
	}
	k := nearestPoint(moved.P, h.at.Add(h.by), sp)
	a, b := k, k
	within := func(i int) bool { return sp.MM(moved.P[i]).Sub(sp.MM(moved.P[k])).Norm() < h.fade }
	for a > 0 && within(a-1) {
		a--
	}
	for b < len(moved.P)-1 && within(b+1) {
		b++
	}
	return spliced(second, Edge{P: moved.P[a : b+1], Sigma: moved.Sigma[a : b+1]}, sp)
}

// spliced returns e with line in place of what it has between line's ends.
func spliced(e, line Edge, sp geom.Spacing) (out Edge) {
	first, last := sp.MM(line.P[0]), sp.MM(line.P[len(line.P)-1])
	down := last.Sub(first).Unit()
	add := func(from Edge, i int) {
		out.P, out.Sigma = append(out.P, from.P[i]), append(out.Sigma, from.Sigma[i])
	}
	i := 0
	for ; i < len(e.P) && sp.MM(e.P[i]).Sub(first).Dot(down) < 0; i++ {
		add(e, i)
	}
	for j := range line.P {
		add(line, j)
	}
	for ; i < len(e.P); i++ {
		if sp.MM(e.P[i]).Sub(last).Dot(down) > 0 {
			add(e, i)
		}
	}
	return out
}

// course returns the finer trace moved likewise, square to its mid-line.
func (h hand) course(c *course, outer bool) *course {
	out, d, s := c.apart(outer)
	at := c.m.nearest(h.at)
	for k := range d {
		w := h.weight(float64(k-at) * fineStep)
		d[k] += w * h.by.Dot(c.m.n[k]) * c.sign
		s[k] = math.Hypot((1-w)*s[k], w*h.sigma)
	}
	return out
}

// nearestPoint returns the place in p of the point nearest to q; negative where
// p is empty.
func nearestPoint(p []geom.PointPx, q geom.PointMM, sp geom.Spacing) int {
	best, least := -1, math.Inf(1)
	for i := range p {
		if d := sp.MM(p[i]).Sub(q).Norm(); d < least {
			best, least = i, d
		}
	}
	return best
}

// apart returns a copy of the finer trace whose edges can be changed by themselves,
// with the places and sigmas of one of them.
func (c *course) apart(outer bool) (out *course, d, s []float64) {
	o := *c
	o.outer, o.inner = slices.Clone(c.outer), slices.Clone(c.inner)
	o.sOuter, o.sInner = slices.Clone(c.sOuter), slices.Clone(c.sInner)
	if outer {
		return &o, o.outer, o.sOuter
	}
	return &o, o.inner, o.sInner
}
