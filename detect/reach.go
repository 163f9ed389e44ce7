package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// Towards the knee the bone widens: a trace that is to go on into the flare must
// know how wide to look.
const (
	beyondMask = 30.0  // mm that a trace runs on beyond the coarse mask where no knee is seen
	flareReach = 90.0  // mm before that end where it may begin to widen
	mostBeyond = 100.0 // at most, where it is
	kneeReach  = 44.0  // mm above the condyles where it ends
	narrowest  = 0.94  // of the width before it widens
	kneeSpare  = 6.0   // mm nearer that it is followed, so that its last levels have neighbours
	usualHalf  = 14.5  // mm, half width of the shaft that the flare below belongs to
)

// A trace is followed towards the knee followStep levels at a time, together with
// the followBack levels before; their slope is that of the last followSlope. It
// begins followAgain levels before the shaft's end.
const (
	followStep  = 4
	followBack  = 14
	followSlope = 6
	followAgain = 12
	followTurn  = 3    // places by which it may leave that from level to level
	followCost  = 0.06 // of a perfect edge for the square of those
	followReach = 4.5  // mm from the place foreseen
)

// flare is how much wider than its shaft the half of a femur usually is at a
// distance above the condyles, mm (from the simulated bones, whose shapes are
// those of ranges.go there).
type flare struct{ above, wider []float64 }

var (
	frontalFlare = flare{[]float64{40, 51, 74, 94, 110, 130}, []float64{18, 16.5, 9, 3.7, 1.5, 0}}
	lateralFlare = flare{[]float64{40, 65, 94, 130}, []float64{9, 6, 2.2, 0}}
)

// at interpolates linearly, constant beyond the ends.
func (f flare) at(above float64) float64 {
	n := len(f.above)
	if above <= f.above[0] {
		return f.wider[0]
	}
	for i := 1; i < n; i++ {
		if above < f.above[i] {
			u := (above - f.above[i-1]) / (f.above[i] - f.above[i-1])
			return f.wider[i-1] + u*(f.wider[i]-f.wider[i-1])
		}
	}
	return f.wider[n-1]
}

// distalEnd is a knee that a shaft runs to.
type distalEnd struct {
	at              geom.PointMM // its middle
	seen            bool
	lateral, medial *patchMark // where its condyles are to be looked for; nil where that is not known
	flare
}

// beyond returns how far past the end of the line a trace goes, mm.
func (g guide) beyond() float64 {
	if !g.knee.seen {
		return beyondMask
	}
	n := len(g.line)
	d := g.knee.at.Sub(g.line[n-1])
	along := g.line[n-1].Sub(g.line[max(0, n-4)]).Unit()
	return clamp(d.Dot(along)-kneeReach+kneeSpare, 0, mostBeyond)
}

// follow goes on with the edges of t beyond its end, mm further, a few levels at a
// time: where the next lie is foreseen from those before and from how bones
// usually widen towards the knee.
func (t *shaftTrace) follow(reduced *plane, sp geom.Spacing, g guide, outer, inner *[2][]float64, further float64) {
	n := len(t.m.p)
	t.m = t.m.extend(0, further)
	along := t.m.p[len(t.m.p)-1].Sub(t.m.p[n-1]).Unit()
	// The end of what was found as shaft may have begun to widen.
	n = max(min(n, 2*followBack), n-followAgain)
	for s := range outer {
		outer[s], inner[s] = outer[s][:n], inner[s][:n]
	}
	t.flare = n
	usual := func(k int) float64 {
		return g.knee.flare.at(g.knee.at.Sub(t.m.p[k]).Dot(along)) * g.half / usualHalf
	}
	for n < len(t.m.p) {
		from, next := max(0, n-followBack), min(n+followStep, len(t.m.p))
		var expect [2][]float64
		for s := range expect {
			expect[s] = smooth(outer[s][from:n], constant(n-from, 1), pathStiff)
			last := len(expect[s]) - 1
			slope := (expect[s][last] - expect[s][last-followSlope]) / followSlope
			for k := n; k < next; k++ {
				usually := usual(k) - usual(k-1)
				expect[s] = append(expect[s], expect[s][len(expect[s])-1]+(slope+usually)/2)
			}
		}
		part := midline{step: t.m.step, p: t.m.p[from:next], n: t.m.n[from:next]}
		for s, found := range outerEdges(reduced, part, sp, expect) {
			// The later levels tell where those before them lie, too.
			k := (n + from) / 2
			thick := outer[s][k-1] - inner[s][k-1]
			outer[s], inner[s] = outer[s][:k], inner[s][:k]
			for _, o := range found[k-from:] {
				outer[s] = append(outer[s], o)
				inner[s] = append(inner[s], o-thick)
			}
		}
		n = next
	}
}

// outerEdges finds the outer edges alone along m, as distances from it, within
// followReach mm of those expected, by dynamic programming over the levels.
func outerEdges(g *plane, m midline, sp geom.Spacing, expect [2][]float64) (out [2][]float64) {
	reach := 0.0
	for _, e := range expect {
		for _, o := range e {
			reach = math.Max(reach, o+beyondMM)
		}
	}
	st := straighten(g, m, sp, reach, pathDN, 3, 4)
	reach = float64(st.half) * pathDN
	const half = int(followReach / pathDN)
	const states = 2*half + 1
	for s := range 2 {
		var score, next [states]float64
		back := make([][states]int8, st.rows)
		base := make([]int, st.rows)
		var rise, row []float64
		for k := range st.rows {
			row = st.depthRow(k, s == 0, row)
			rise = edgeEvidence(row, rise)
			base[k] = int(math.Round((reach-expect[s][k])/pathDN)) - half
			for i := range states {
				off := float64(i-half) * pathDN
				next[i] = at(rise, base[k]+i) - offsetPenalty*off*off
				if k == 0 {
					continue
				}
				best := math.Inf(-1)
				for d := -followTurn; d <= followTurn; d++ {
					if j := i + d; j >= 0 && j < states {
						if v := score[j] - followCost*float64(d*d); v > best {
							best, back[k][i] = v, int8(d)
						}
					}
				}
				next[i] += best
			}
			score = next
		}
		i := 0
		for j, v := range score {
			if v > score[i] {
				i = j
			}
		}
		out[s] = make([]float64, st.rows)
		for k := st.rows - 1; k >= 0; k-- {
			out[s][k] = reach - float64(base[k]+i)*pathDN
			i += int(back[k][i])
		}
	}
	return out
}

// widening returns by how much the values v grow from level to level, smoothed over
// some 20 mm.
func widening(v []float64) []float64 {
	const stiff = 200
	s := smooth(v, constant(len(v), 1), stiff)
	out := make([]float64, len(v))
	for k := range v {
		a, b := max(0, k-1), min(len(v)-1, k+1)
		if b > a {
			out[k] = (s[b] - s[a]) / float64(b-a)
		}
	}
	return out
}

// endAboveKnee drops the levels nearer to the condyles than the shaft goes, and
// those from where a shaft that was followed towards the knee gets narrower:
// bones do not.
func (t *shaftTrace) endAboveKnee(f *Femur, sp geom.Spacing) {
	t.end = t.narrowed()
	if l, m := f.CondyleLateral, f.CondyleMedial; l != nil && m != nil {
		at := sp.MM(l.P).Add(sp.MM(m.P)).Mul(0.5)
		t.end = min(t.end, t.m.level(at)-int(kneeReach/t.m.step)+1)
	}
	for s := range t.side {
		for k := max(0, t.end); k < len(t.side[s]); k++ {
			t.side[s][k].ok, t.side[s][k].innerOK = false, false
		}
	}
}

// narrowed returns the first level of the widening part where the bone is
// narrower than where it begins to widen.
func (t *shaftTrace) narrowed() int {
	n := len(t.side[0])
	if t.flare == 0 {
		return n
	}
	var before []float64
	width := func(k int) (float64, bool) {
		a, b := t.side[0][k], t.side[1][k]
		return a.outer + b.outer, a.ok && b.ok
	}
	for k := max(0, t.flare-followBack); k < t.flare; k++ {
		if w, ok := width(k); ok {
			before = append(before, w)
		}
	}
	if len(before) == 0 {
		return n
	}
	least := narrowest * median(before)
	for k := t.flare; k < n; k++ {
		if w, ok := width(k); ok && w < least {
			return k
		}
	}
	return n
}
