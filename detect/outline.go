package detect

import "math"

const (
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

// follow sets the line at which the outer edge is looked for: from end to end of
// the first trace, that on which the film rises most from tissue to bone, however
// steeply it climbs over what stands out of the bone. Where the film does not
// tell, the first trace's.
func (c *course) follow(g *plane) {
	c.sure = make([]bool, len(c.outer))
	c.line = bridged(append([]float64(nil), c.outer...), len(c.outer))
	c.ref = reference(c.outer, fineStep)
	if first, _ := known(c.ref); first < 0 {
		return
	}
	p := c.readProfiles(g)
	usual, ok := p.usual(c)
	if !ok {
		return
	}
	rises := constant(len(c.ref), math.NaN())
	for k, d := range p.path(c, usual) {
		if math.IsNaN(d) {
			continue
		}
		c.line[k], rises[k] = c.ref[k]+d, p.rise(k, d)
		c.sure[k] = rises[k] > outlineSure*usual
	}
	p.forget(c, rises, usual)
}

// profiles are the running sums of the film's values across a course, by level
// from far outside its own course inward.
type profiles struct {
	first, last int // levels that have one
	sum, count  [][]float64
}

const (
	profileFrom   = outlineOut + outlineFar + outlineBone + 1 // mm outside the course where profiles begin
	outlinePlaces = int((outlineOut+outlineIn)/outlineDN) + 1 // places across that the edge may have
)

// placeAt is how far outside the course the i-th place lies, mm.
func placeAt(i int) float64 { return outlineOut - float64(i)*outlineDN }

// readProfiles reads the profiles of the levels at which c has a course of its own.
func (c *course) readProfiles(g *plane) *profiles {
	n := int((profileFrom+outlineIn+outlineFar)/outlineDN) + 1
	p := &profiles{sum: make([][]float64, len(c.ref)), count: make([][]float64, len(c.ref))}
	p.first, p.last = known(c.ref)
	line := make([]float64, n)
	for k := p.first; k <= p.last; k++ {
		sum, count := make([]float64, n+1), make([]float64, n+1)
		for a := range outlineRows {
			u := float64(k) + outlineAlong/fineStep*((float64(a)+0.5)/outlineRows-0.5)
			x, y := c.at(u, c.ref[k]+profileFrom)
			x1, y1 := c.at(u, c.ref[k]+profileFrom-outlineDN)
			clear(line)
			g.addLine(line, x, y, x1-x, y1-y)
			for i, v := range line {
				if v == v { // on the film
					sum[i+1] += v
					count[i+1]++
				}
			}
		}
		for i := range n {
			sum[i+1] += sum[i]
			count[i+1] += count[i]
		}
		p.sum[k], p.count[k] = sum, count
	}
	return p
}

// index is the sample of a profile d mm outside the course.
func (p *profiles) index(d float64) int {
	return min(max(int(math.Round((profileFrom-d)/outlineDN)), 0), len(p.sum[p.first])-1)
}

// mean is that of the samples from i to before j at level k; NaN off the film.
func (p *profiles) mean(k, i, j int) float64 {
	return (p.sum[k][j] - p.sum[k][i]) / (p.count[k][j] - p.count[k][i])
}

// flanks are the samples that lie on either side of a place.
type flanks struct{ outer, out, in, inner int }

func (p *profiles) flanks(d float64) flanks {
	return flanks{p.index(d + outlineFar), p.index(d + outlineNear), p.index(d - outlineNear), p.index(d - outlineFar)}
}

// over is by how much the film rises inward from one side to the other.
func (p *profiles) over(k int, s *flanks) float64 {
	return p.mean(k, s.in, s.inner) - p.mean(k, s.outer, s.out)
}

// rise is by how much the film rises inward d mm outside the course.
func (p *profiles) rise(k int, d float64) float64 {
	s := p.flanks(d)
	return p.over(k, &s)
}

// usual is the median rise at the edge that the first trace found; false where it
// tells nothing.
func (p *profiles) usual(c *course) (rise float64, ok bool) {
	var all []float64
	for k := p.first; k <= p.last; k++ {
		if d := c.outer[k] - c.ref[k]; math.Abs(d) < outlineIn {
			if r := p.rise(k, d); !math.IsNaN(r) {
				all = append(all, r)
			}
		}
	}
	if len(all) == 0 {
		return 0, false
	}
	rise = median(all)
	return rise, rise > 0
}

// outside tells what lies outside every tissueEvery-th place, and what usually
// does there.
func (p *profiles) outside() (beyond, tissue [][]float64) {
	beyond, tissue = make([][]float64, outlinePlaces/tissueEvery+1), make([][]float64, outlinePlaces/tissueEvery+1)
	for i := range beyond {
		d := placeAt(i * tissueEvery)
		beyond[i] = constant(len(p.sum), math.NaN())
		out, in := p.index(d+outlineBone), p.index(d+0.5)
		for k := p.first; k <= p.last; k++ {
			beyond[i][k] = p.mean(k, out, in)
		}
		tissue[i] = medians(beyond[i], tissueReach)
	}
	return beyond, tissue
}

// path returns by level how far outside the course the line lies that is the most
// of an edge, mm; NaN where there is no course.
func (p *profiles) path(c *course, usual float64) []float64 {
	gain := p.gains(c, usual)
	score, next := make([]float64, outlinePlaces), make([]float64, outlinePlaces)
	back := make([]int16, len(c.ref)*outlinePlaces)
	var turn [outlineSteep + 1]float64
	for j := range turn {
		turn[j] = outlineTurn * outlineDN * float64(j)
	}
	for k := p.first; k <= p.last; k++ {
		for i := range outlinePlaces {
			best, at := 0.0, i
			if k > p.first {
				best = math.Inf(-1)
				a := max(0, i-outlineSteep)
				for j, v := range score[a:i] {
					if v -= turn[i-a-j]; v > best {
						best, at = v, a+j
					}
				}
				for j, v := range score[i:min(outlinePlaces, i+outlineSteep+1)] {
					if v -= turn[j]; v > best {
						best, at = v, i+j
					}
				}
			}
			next[i] = best + gain(k, i)
			back[k*outlinePlaces+i] = int16(at)
		}
		score, next = next, score
	}
	at := 0
	for i := range score {
		if score[i] > score[at] {
			at = i
		}
	}
	out := constant(len(c.ref), math.NaN())
	for k := p.last; k >= p.first; k-- {
		out[k] = placeAt(at)
		at = int(back[k*outlinePlaces+at])
	}
	return out
}

// gains tells how much of an edge there is at level k and the i-th place across: 1
// is one without doubt.
func (p *profiles) gains(c *course, usual float64) func(k, i int) float64 {
	beyond, tissue := p.outside()
	sides := make([]flanks, outlinePlaces)
	for i := range sides {
		sides[i] = p.flanks(placeAt(i))
	}
	return func(k, i int) float64 {
		r := p.over(k, &sides[i]) / usual
		e := clamp(r/outlineEnough, -1, 1)
		if r > outlineMuch {
			e = -1
		}
		if math.IsNaN(e) {
			e = 0
		}
		if j := (i + tissueEvery/2) / tissueEvery; !math.IsNaN(tissue[j][k]) {
			e -= outlinePrice * clamp((beyond[j][k]-tissue[j][k])/usual-outlineSlack, 0, 1)
		}
		if off := math.Abs(c.ref[k] + placeAt(i) - c.outer[k]); !math.IsNaN(off) {
			e -= outlineFirst * min(off, outlineDistant)
		}
		return e
	}
}

// forget takes back what c has beside the edge of the field, or of metal: nothing
// is told there.
func (p *profiles) forget(c *course, rises []float64, usual float64) {
	usually := medians(rises, tissueReach)
	alien := make([]bool, len(c.ref))
	for k := p.first; k <= p.last; k++ {
		limit := outlineMuch * math.Max(usual, usually[k])
		for d := -outlineMargin; d <= outlineMargin; d += 2 * outlineDN {
			alien[k] = alien[k] || p.rise(k, c.line[k]-c.ref[k]+d) > limit
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
