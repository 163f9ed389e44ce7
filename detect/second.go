package detect

import (
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// The second estimate of a shaft's edges is there to contradict the first. It
// shares the coarse mask and the pixels with it, and nothing else: places where
// the film, blurred to a scale of secondScaleMM, rises or falls most steeply,
// linked from level to level by prediction and gate, both away from the middle
// of the mask. What steepest slopes of a blurred tube are off by is known
// (see [slopeBias]).
const (
	secondStep    = 2.0  // mm between levels
	secondSpan    = 8.0  // mm along the shaft that one level averages
	secondRows    = 5    // places averaged over secondSpan
	secondDN      = 0.5  // mm between places across
	secondScaleMM = 1.0  // Gaussian scale of the slopes
	secondBeyond  = 12.0 // mm beyond the mask's half width that are searched

	seedLevels = 10  // averaged where a track begins
	seedMM     = 8.0 // from the mask's half width that an outer edge may begin at
	linkLevels = 10  // before, that predict the next place
	linkMM     = 2.0 // from there that an edge may lie
	linkLost   = 12  // levels without an edge that end a track
	lineSlope  = 0.5 // mm a mm: no edge of a shaft leans more against its mid-line

	seeds      = 4   // tracks tried
	rivalShare = 0.6 // of the best track's height from which another counts
	rivalMM    = 1.5 // by which it runs elsewhere

	scatterApart = 4  // levels whose averages share nothing
	scatterOver  = 10 // levels on either side that tell how an edge scatters

	cleanBreadth = 1.1 // mm, of the slope of a clean inner edge

	thinnest = 1.0 // mm of cortex between the steepest slopes
)

// slope is a place of steepest slope across one level: its depth from the
// outside, mm, how steep, and over what breadth, mm (the standard deviation of the
// Gaussian with its top).
type slope struct{ depth, height, breadth float64 }

// secondEdges finds the edges of the shaft g once more.
func secondEdges(reduced *plane, sp geom.Spacing, g guide) (out Edges) {
	m := newMidline(g.line, secondStep)
	from, to := 0, len(m.p)
	if to < 2*seedLevels {
		return out
	}
	const beyond = int(20 / secondStep)
	m = m.extend(20, g.beyond())
	from, to = from+beyond, to+beyond
	var found [2]secondSide
	for pass := range 2 {
		reach := g.half + secondBeyond
		for s := range found {
			for _, o := range found[s].outer {
				if o == o {
					reach = math.Max(reach, o+secondBeyond)
				}
			}
		}
		span, rows := secondSpan/2, (secondRows+1)/2
		if pass > 0 {
			span, rows = secondSpan, secondRows
		}
		st := straighten(reduced, m, sp, reach, secondDN, rows, span)
		for s := range found {
			found[s] = st.follow(s == 0, g.half, from, to)
		}
		if pass == 0 {
			m = m.between(found[0].outer, found[1].outer)
			to = min(to, len(m.p))
		}
	}
	for s, e := range [2][2]*Edge{{&out.OuterClockwise, &out.InnerClockwise}, {&out.OuterCounter, &out.InnerCounter}} {
		f, sign := found[s], outward[s]
		for k := range f.outer {
			if k >= len(m.p) || math.IsNaN(f.outer[k]) {
				continue
			}
			put := func(e *Edge, distance, sigma float64) {
				e.P = append(e.P, sp.Px(m.p[k].Add(m.n[k].Mul(sign*distance))))
				e.Sigma = append(e.Sigma, sigma)
			}
			outer, inner := 0.0, 0.0
			if t := f.outer[k] - f.inner[k]; t == t {
				outer, inner = slopeBias(t)
				put(e[1], f.inner[k]+inner, f.sInner[k])
			} else {
				outer, _ = slopeBias(thicknessMax)
			}
			put(e[0], f.outer[k]+outer, f.sOuter[k])
		}
	}
	return out
}

// between moves the line to the middle of two edges, given as distances to
// either side, NaN where there is none.
func (m midline) between(a, b []float64) midline {
	d, w := make([]float64, len(m.p)), make([]float64, len(m.p))
	n := 0
	for k := range d {
		if v := (a[k] - b[k]) / 2; v == v {
			d[k], w[k] = v, 1
			n++
		}
	}
	if n < seedLevels {
		return m
	}
	// Stiff: the line is to run along the shaft, not to follow its edges.
	const lambda = 3000
	return m.shift(smooth(d, w, lambda))
}

// secondSide holds the distances of one side's edges from the mid-line by
// level with their standard uncertainties, mm; NaN where there is none.
type secondSide struct{ outer, inner, sOuter, sInner []float64 }

// sigma is the standard uncertainty of the places of a track around each level:
// what they scatter by, as a smooth bone does not, and by how much the slope is
// broader than that of a clean edge, sharp mm.
func (t track) sigma(sharp float64) []float64 {
	out := make([]float64, len(t.depth))
	for k := range out {
		var bends, squares, met, breadth float64
		for j := max(0, k-scatterOver); j < min(len(out), k+scatterOver+1); j++ {
			if math.IsNaN(t.depth[j]) {
				continue
			}
			met++
			breadth += t.breadth[j]
			if j < scatterApart || j+scatterApart >= len(out) {
				continue
			}
			if b := t.depth[j-scatterApart] - 2*t.depth[j] + t.depth[j+scatterApart]; b == b {
				bends++
				squares += b * b / 6 // the bend of independent errors has six times their variance
			}
		}
		out[k] = secondScaleMM / 2 // where too few tell
		if bends >= scatterApart {
			out[k] = math.Hypot(math.Sqrt(squares/bends), math.Max(0, breadth/met-sharp))
		}
	}
	return out
}

// follow finds the edges of one side: the outer one from where the mask expects
// it, the inner one below it. The mask reaches from level from to level to.
func (st *strip) follow(clockwise bool, half float64, from, to int) (out secondSide) {
	reach := float64(st.half) * secondDN
	rises, falls := make([][]slope, st.rows), make([][]slope, st.rows)
	derivative := make([][]float64, st.rows)
	var buf []float64
	for k := range st.rows {
		buf = st.depthRow(k, clockwise, buf)
		derivative[k] = slopes(buf)
		rises[k], falls[k] = crests(derivative[k], 1), crests(derivative[k], -1)
	}
	outer := longest(rises, func(middle int) (float64, bool) {
		return begin(derivative[middle-seedLevels/2:middle+seedLevels/2], nil, 1, reach-half-seedMM, reach-half+seedMM)
	}, from, to)
	inner := longest(falls, func(middle int) (float64, bool) {
		if math.IsNaN(outer.depth[middle]) {
			return 0, false
		}
		a, b := middle-seedLevels/2, middle+seedLevels/2
		return begin(derivative[a:b], outer.depth[a:b], -1, thinnest, math.Min(thicknessMax, reach-outer.depth[middle]))
	}, from, to)
	out = secondSide{outer.depth, inner.depth, outer.sigma(math.Inf(1)), inner.sigma(cleanBreadth)}
	for k := range out.outer {
		out.outer[k] = reach - out.outer[k]
		if out.inner[k] = reach - out.inner[k]; !(out.outer[k]-out.inner[k] >= thinnest) {
			out.inner[k] = math.NaN()
		}
	}
	return out
}

// begin finds where a track may begin: the steepest slope of the mean of rows,
// of the given sign, from lo to hi mm deep, below the places under where those are given.
func begin(rows [][]float64, under []float64, sign, lo, hi float64) (depth float64, ok bool) {
	n := int((hi - lo) / secondDN)
	mean := make([]float64, max(0, n))
	used := 0.0
	for k, row := range rows {
		at := lo
		if under != nil {
			if at += under[k]; math.IsNaN(at) {
				continue
			}
		}
		i := int(math.Round(at / secondDN))
		if i < 0 || i+n > len(row) {
			continue
		}
		for j := range mean {
			mean[j] += row[i+j]
		}
		used++
	}
	if used < seedLevels/2 {
		return 0, false
	}
	best := slope{height: 0}
	for _, s := range crests(mean, sign) {
		if s.height > best.height {
			best = s
		}
	}
	if best.height == 0 {
		return 0, false
	}
	depth = lo + best.depth
	if under != nil {
		depth += under[len(under)/2]
	}
	return depth, true
}

// track is an edge followed along the levels: its depths and breadths, NaN where
// it was not met, and the sum of what each level speaks for it.
type track struct {
	depth, breadth []float64
	height         float64
}

// longest returns the best of the tracks that begin at several levels of the
// mask, without the levels where another of rivalShare of its height runs
// elsewhere. from … to are the mask's levels.
func longest(found [][]slope, start func(level int) (float64, bool), from, to int) track {
	var tracks []track
	best := track{constant(len(found), math.NaN()), constant(len(found), math.NaN()), 0}
	top := typical(found)
	for i := 1; i <= seeds; i++ {
		middle := from + (to-from)*i/(seeds+1)
		if middle < seedLevels || middle+seedLevels > len(found) {
			continue
		}
		depth, ok := start(middle)
		if !ok {
			continue
		}
		t := link(found, middle, depth, top)
		tracks = append(tracks, t)
		if t.height > best.height {
			best = t
		}
	}
	out := track{slices.Clone(best.depth), best.breadth, best.height}
	for _, t := range tracks {
		if t.height < rivalShare*best.height {
			continue
		}
		for k, d := range t.depth {
			if math.Abs(d-best.depth[k]) > rivalMM {
				out.depth[k] = math.NaN()
			}
		}
	}
	return out
}

// typical is the median of the levels' steepest slopes.
func typical(found [][]slope) float64 {
	var v []float64
	for _, ss := range found {
		top := 0.0
		for _, s := range ss {
			top = math.Max(top, s.height)
		}
		if top > 0 {
			v = append(v, top)
		}
	}
	if len(v) == 0 {
		return 1
	}
	return median(v)
}

// link follows an edge from the given level and depth to both ends: each next
// place is predicted by a line through the last ones, and the steepest slope
// near it taken. A slope counts at most as much as top, so that metal and
// letters do not pull.
func link(found [][]slope, level int, depth, top float64) track {
	t := track{depth: constant(len(found), math.NaN()), breadth: constant(len(found), math.NaN())}
	for _, dir := range [2]int{1, -1} {
		at := make([]float64, 0, len(found)) // places met so far, in this direction, NaN for none
		lost := 0
		for k := level; k >= 0 && k < len(found); k += dir {
			want := depth
			if len(at) > 0 {
				want = predicted(at, depth)
			}
			place, wide, gain := math.NaN(), 0.0, 0.0
			for _, s := range found[k] {
				d := (s.depth - want) / linkMM
				if g := s.height / (s.height + top) * (1 - d*d); d*d < 1 && g > gain {
					place, wide, gain = s.depth, s.breadth, g
				}
			}
			at = append(at, place)
			if math.IsNaN(place) {
				if lost++; lost > linkLost {
					break
				}
				continue
			}
			lost = 0
			if k != level || dir > 0 {
				t.height += gain
			}
			t.depth[k], t.breadth[k] = place, wide
		}
	}
	return t
}

// predicted returns the place after those in at: the line through the last
// linkLevels of them, as level as the few that were met make it; depth where
// none was.
func predicted(at []float64, depth float64) float64 {
	var n, x, y, xx, xy float64
	for i := max(0, len(at)-linkLevels); i < len(at); i++ {
		if v := at[i]; v == v {
			u := float64(i - len(at))
			n++
			x += u
			y += v
			xx += u * u
			xy += u * v
		}
	}
	if n == 0 {
		for i := len(at) - 1; i >= 0; i-- {
			if at[i] == at[i] {
				return at[i]
			}
		}
		return depth
	}
	x, y = x/n, y/n
	// The prior of a level line, worth its spread over linkLevels/2.
	const prior = linkLevels * linkLevels * linkLevels / 48.0
	lean := clamp((xy-n*x*y)/(xx-n*x*x+prior), -lineSlope*secondStep, lineSlope*secondStep)
	return y - lean*x
}

// slopes returns the derivative of row by depth at the scale of the second
// estimate; NaN where the film does not reach.
func slopes(row []float64) []float64 {
	out := make([]float64, len(row))
	r := len(slopeKernel) - 1
	for i := range out {
		if i < r || i+r >= len(row) {
			out[i] = math.NaN()
			continue
		}
		g := 0.0
		for d := 1; d <= r; d++ {
			g += slopeKernel[d] * (row[i+d] - row[i-d])
		}
		out[i] = g
	}
	return out
}

// slopeKernel is the right half of the derivative of a Gaussian of secondScaleMM.
var slopeKernel = func() []float64 {
	out := make([]float64, int(3*secondScaleMM/secondDN)+1)
	sum := 0.0
	for d := range out {
		u := float64(d) * secondDN / secondScaleMM
		out[d] = u * math.Exp(-u*u/2)
		sum += 2 * float64(d) * secondDN * out[d]
	}
	for d := range out {
		out[d] /= sum
	}
	return out
}()

// crests lists the local maxima of sign times the derivative that are above 0,
// each at the vertex of the parabola through its three values.
func crests(derivative []float64, sign float64) []slope {
	var out []slope
	for i := 1; i+1 < len(derivative); i++ {
		a, b, c := sign*derivative[i-1], sign*derivative[i], sign*derivative[i+1]
		if b > 0 && b >= a && b > c {
			bend := 2*b - a - c
			out = append(out, slope{(float64(i) - (a-c)/(2*bend)) * secondDN, b, math.Sqrt(b/bend) * secondDN})
		}
	}
	return out
}
