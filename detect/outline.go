package detect

import "math"

const (
	referenceReach = 60.0 // mm on either side over which a shaft's own course is a parabola
	outlineIn      = 3.0  // mm inside and
	outlineOut     = 6.0  // outside that course where the outer edge is looked for
	outlineDN      = 0.15 // mm across
	outlineAlong   = 1.5  // mm along the shaft that one place averages, of
	outlineRows    = 4    // places
	outlineNear    = 0.1  // mm from an edge where it still rises,
	outlineFar     = 0.75 // and how far on either side of it tells how much
	outlineEnough  = 0.6  // of the usual rise that is an edge without doubt
	outlineMuch    = 4.0  // times the usual rise that is the edge of the field or of metal
	outlineMargin  = 1.5  // mm from an edge within which there is no such edge,
	outlineBeside  = 2    // and levels
	outlineSure    = 0.5  // of the usual rise that is an edge where no model fits it
	outlineBone    = 2.0  // mm outside an edge that are tissue,
	outlineSlack   = 0.3  // brighter than along the shaft by this part of the usual rise at most
	outlinePrice   = 0.8  // of an edge with bone outside it, in edges
	outlineFirst   = 0.05 // of a mm from the first trace, up to
	outlineDistant = 3.0  // mm
	outlineTurn    = 0.25 // of a mm across from one level to the next
	outlineSteep   = 8    // places across from one level to the next, at most
	tissueReach    = 40   // levels on either side that tell what is usual at a place outside the course,
	tissueEvery    = 4    // places apart
)

// known returns the first and the last index of v that is known; −1 for none.
func known(v []float64) (first, last int) {
	first, last = -1, -1
	for k, x := range v {
		if !math.IsNaN(x) {
			if first < 0 {
				first = k
			}
			last = k
		}
	}
	return first, last
}

// reference returns the shaft's own course in v, without what is a few
// centimetres long: at each level between the first and the last known one the
// robust parabola over referenceReach mm on either side.
func reference(v []float64, step float64) []float64 {
	out := constant(len(v), math.NaN())
	first, last := known(v)
	if last-first < 4 {
		return out
	}
	reach := int(referenceReach / step)
	type place struct{ u, weight float64 } // from −1 to 1, by level from −reach on
	places := make([]place, 2*reach+1)
	for i := range places {
		u := float64(i-reach) / float64(reach)
		places[i] = place{u, 1 - u*u*u*u}
	}
	w := make([]float64, 2*reach+1)
	for k := first; k <= last; k++ {
		a, b := max(first, k-reach), min(last, k+reach)
		v, at, w := v[a:b+1], places[a-k+reach:], w[:b-a+1]
		for i := range w {
			w[i] = 1
		}
		for range referenceRounds {
			var m0, m1, m2, m3, m4, r0, r1, r2 float64
			for i, x := range v {
				if x != x {
					continue
				}
				u := at[i].u
				q0 := w[i] * at[i].weight
				q1 := q0 * u
				q2 := q1 * u
				q3 := q2 * u
				m0, m1, m2, m3, m4 = m0+q0, m1+q1, m2+q2, m3+q3, m4+q3*u
				r0, r1, r2 = r0+q0*x, r1+q1*x, r2+q2*x
			}
			c, ok := solveParabola([5]float64{m0, m1, m2, m3, m4}, [3]float64{r0, r1, r2})
			if !ok {
				break
			}
			out[k] = c[0]
			sum, n := 0.0, 0.0
			for i, x := range v {
				u := at[i].u
				w[i] = math.Abs(x - c[0] - u*(c[1]+u*c[2]))
				if w[i] < math.Inf(1) { // false for NaN
					sum += w[i]
					n++
				}
			}
			scale := max(3*sum/n, 1e-3)
			for i, off := range w {
				x := off / scale
				x = max(0, 1-x*x)
				w[i] = x * x
			}
		}
	}
	return out
}

const referenceRounds = 4

// solveParabola solves the normal equations of a parabola with the moments m and the
// right side r; false where they do not tell.
func solveParabola(m [5]float64, r [3]float64) (c [3]float64, ok bool) {
	a, b, d := m[2]*m[4]-m[3]*m[3], m[2]*m[3]-m[1]*m[4], m[1]*m[3]-m[2]*m[2]
	det := m[0]*a + m[1]*b + m[2]*d
	if !(math.Abs(det) > 1e-9*m[0]*m[2]*m[4]) {
		return c, false
	}
	e, f, g := m[0]*m[4]-m[2]*m[2], m[1]*m[2]-m[0]*m[3], m[0]*m[2]-m[1]*m[1]
	return [3]float64{(a*r[0] + b*r[1] + d*r[2]) / det, (b*r[0] + e*r[1] + f*r[2]) / det, (d*r[0] + f*r[1] + g*r[2]) / det}, true
}

// follow sets the line at which the outer edge is looked for: from end to end of
// the first trace, that on which the film rises most from tissue to bone, however
// steeply it climbs over what stands out of the bone. Where the film does not
// tell, the first trace's.
func (c *course) follow(g *plane) {
	c.sure = make([]bool, len(c.outer))
	c.line = bridged(append([]float64(nil), c.outer...), len(c.outer))
	c.ref = reference(c.outer, fineStep)
	ref := c.ref
	first, last := known(ref)
	if first < 0 {
		return
	}
	// Profiles from far outside inward.
	const from = outlineOut + outlineFar + outlineBone + 1
	n := int((from+outlineIn+outlineFar)/outlineDN) + 1
	sum, count := make([][]float64, len(ref)), make([][]float64, len(ref)) // running, of each profile
	line := make([]float64, n)
	for k := first; k <= last; k++ {
		sum[k], count[k] = make([]float64, n+1), make([]float64, n+1)
		for a := range outlineRows {
			u := float64(k) + outlineAlong/fineStep*((float64(a)+0.5)/outlineRows-0.5)
			x, y := c.at(u, ref[k]+from)
			x1, y1 := c.at(u, ref[k]+from-outlineDN)
			clear(line)
			g.addLine(line, x, y, x1-x, y1-y)
			for i, v := range line {
				if v == v { // on the film
					sum[k][i+1] += v
					count[k][i+1]++
				}
			}
		}
		for i := range n {
			sum[k][i+1] += sum[k][i]
			count[k][i+1] += count[k][i]
		}
	}
	index := func(d float64) int { return min(max(int(math.Round((from-d)/outlineDN)), 0), n) }
	mean := func(k, i, j int) float64 {
		return (sum[k][j] - sum[k][i]) / (count[k][j] - count[k][i]) // NaN off the film
	}
	type step struct{ outer, out, in, inner int } // what lies on either side of a place
	stepAt := func(d float64) step {
		return step{index(d + outlineFar), index(d + outlineNear), index(d - outlineNear), index(d - outlineFar)}
	}
	riseOver := func(k int, s *step) float64 { return mean(k, s.in, s.inner) - mean(k, s.outer, s.out) }
	rise := func(k int, d float64) float64 {
		s := stepAt(d)
		return riseOver(k, &s)
	}
	var usual []float64
	for k := first; k <= last; k++ {
		if d := c.outer[k] - ref[k]; math.Abs(d) < outlineIn {
			if r := rise(k, d); !math.IsNaN(r) {
				usual = append(usual, r)
			}
		}
	}
	if len(usual) == 0 {
		return
	}
	contrast := median(usual)
	if !(contrast > 0) {
		return
	}
	states := int((outlineOut+outlineIn)/outlineDN) + 1
	// What lies outside each place, and what usually does.
	beyond, tissue := make([][]float64, states/tissueEvery+1), make([][]float64, states/tissueEvery+1)
	for i := range beyond {
		d := outlineOut - float64(i*tissueEvery)*outlineDN
		beyond[i] = constant(len(ref), math.NaN())
		out, in := index(d+outlineBone), index(d+0.5)
		for k := first; k <= last; k++ {
			beyond[i][k] = mean(k, out, in)
		}
		tissue[i] = medians(beyond[i], tissueReach)
	}
	steps := make([]step, states)
	for i := range steps {
		steps[i] = stepAt(outlineOut - float64(i)*outlineDN)
	}
	var turn [outlineSteep + 1]float64
	for j := range turn {
		turn[j] = outlineTurn * outlineDN * float64(j)
	}
	score, next := make([]float64, states), make([]float64, states)
	back := make([]int16, len(ref)*states)
	for k := first; k <= last; k++ {
		for i := range states {
			d := outlineOut - float64(i)*outlineDN
			r := riseOver(k, &steps[i]) / contrast
			e := clamp(r/outlineEnough, -1, 1)
			if r > outlineMuch {
				e = -1
			}
			if math.IsNaN(e) {
				e = 0
			}
			if j := (i + tissueEvery/2) / tissueEvery; !math.IsNaN(tissue[j][k]) {
				e -= outlinePrice * clamp((beyond[j][k]-tissue[j][k])/contrast-outlineSlack, 0, 1)
			}
			if off := math.Abs(ref[k] + d - c.outer[k]); !math.IsNaN(off) {
				e -= outlineFirst * min(off, outlineDistant)
			}
			best, at := 0.0, i
			if k > first {
				best = math.Inf(-1)
				a := max(0, i-outlineSteep)
				for j, v := range score[a:i] {
					if v -= turn[i-a-j]; v > best {
						best, at = v, a+j
					}
				}
				for j, v := range score[i:min(states, i+outlineSteep+1)] {
					if v -= turn[j]; v > best {
						best, at = v, i+j
					}
				}
			}
			next[i] = best + e
			back[k*states+i] = int16(at)
		}
		score, next = next, score
	}
	at := 0
	for i := range score {
		if score[i] > score[at] {
			at = i
		}
	}
	rises := constant(len(ref), math.NaN())
	for k := last; k >= first; k-- {
		d := outlineOut - float64(at)*outlineDN
		c.line[k], rises[k] = ref[k]+d, rise(k, d)
		c.sure[k] = rises[k] > outlineSure*contrast
		at = int(back[k*states+at])
	}
	// Beside the edge of the field, or of metal, nothing is told.
	usually := medians(rises, tissueReach)
	alien := make([]bool, len(ref))
	for k := first; k <= last; k++ {
		limit := outlineMuch * math.Max(contrast, usually[k])
		for d := -outlineMargin; d <= outlineMargin; d += 2 * outlineDN {
			alien[k] = alien[k] || rise(k, c.line[k]-ref[k]+d) > limit
		}
	}
	for k := range alien {
		for j := max(0, k-outlineBeside); j <= min(len(alien)-1, k+outlineBeside); j++ {
			if alien[j] {
				c.line[k], c.sure[k] = math.NaN(), false
			}
		}
	}
}
