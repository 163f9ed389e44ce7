package detect

import (
	"math"
	"slices"
)

const (
	letterStep   = 0.3  // mm of depth of one place looked at
	letterSub    = 4    // samples of a place along the cortex
	letterAlong  = 12   // levels on either side whose median is what is there without a letter
	letterBright = 0.35 // of the contrast of bone to tissue that a stroke is brighter,
	letterDark   = 0.35 // or darker, outside the cortex: within it that may be a gap in the bone
	letterGrain  = 4.5  // and times the standard deviation of the film's grain
	letterClear  = 0.6  // mm from the cortex
	letterEdge   = 1.4  // mm from the outer edge that say nothing: a steep bump moves it
	letterPlaces = 2    // places of a level that make a stroke
	letterBeside = 2    // levels beside a stroke whose edges it may have moved
	letterMargin = 2.0  // mm outside and inside the cortex that are looked at
)

// letters tells the levels at which a letter, a clip or another thing that is
// brighter or darker than what is there along the bone lies over the cortex.
func (c *course) letters(g *plane) []bool {
	n := len(c.m.p)
	out := make([]bool, n)
	outer, inner := c.line, medians(c.inner, 8)
	thick := make([]float64, n)
	var all []float64
	for k := range thick {
		if thick[k] = outer[k] - inner[k]; !math.IsNaN(thick[k]) {
			all = append(all, thick[k])
		}
	}
	if len(all) == 0 {
		return out
	}
	slices.Sort(all)
	u := c.unrolled(g, all[len(all)*9/10]+letterMargin)
	contrast, ok := u.contrast(all[len(all)/2])
	if !ok {
		return out
	}
	for k, places := range u.strokes(thick, contrast) {
		if places >= letterPlaces {
			for j := max(0, k-letterBeside); j <= min(n-1, k+letterBeside); j++ {
				out[j] = true
			}
		}
	}
	return out
}

// unrolled is a cortex laid out flat: at each depth from lineOutside mm outside its
// outer edge inward, letterStep apart, the film's value by level, NaN off the film.
type unrolled [][]float64

// depthOf is the depth of the d-th row, mm below the outer edge.
func depthOf(d int) float64 { return (float64(d)+0.5)*letterStep - lineOutside }

// unrolled lays the cortex out down to deepest mm.
func (c *course) unrolled(g *plane, deepest float64) unrolled {
	n := len(c.m.p)
	v := make(unrolled, int((lineOutside+deepest)/letterStep)+1)
	for d := range v {
		v[d] = make([]float64, n)
	}
	sum, m := make([]float64, len(v)), make([]float64, len(v))
	for k := range n {
		clear(sum)
		clear(m)
		for a := range letterSub {
			u := float64(k) + (float64(a)+0.5)/letterSub - 0.5
			near := max(0, min(u, float64(n-1)))
			ray, o, ref := c.across(u), edgeAt(c.line, near), edgeAt(c.ref, near)
			for d := range v {
				from := o
				if depthOf(d) > letterEdge {
					from = ref
				}
				if p, ok := g.at(ray.at(from + lineOutside - (float64(d)+0.5)*letterStep)); ok {
					sum[d] += p
					m[d]++
				}
			}
		}
		for d := range v {
			v[d][k] = sum[d] / m[d]
		}
	}
	return v
}

// contrast is how much brighter than tissue the middle of a cortex thick mm thick is;
// false where no level shows both.
func (v unrolled) contrast(thick float64) (float64, bool) {
	tissue, bone := medians(v[1], letterAlong), v[int((lineOutside+thick/2)/letterStep)]
	var outside, inside []float64
	for k := range tissue {
		if !math.IsNaN(tissue[k]) && !math.IsNaN(bone[k]) {
			outside, inside = append(outside, tissue[k]), append(inside, bone[k])
		}
	}
	if len(inside) == 0 {
		return 0, false
	}
	return median(inside) - median(outside), true
}

// strokes counts, by level, the places on or beside the cortex, thick mm thick there,
// that differ from what lies at their depth along the bone.
func (v unrolled) strokes(thick []float64, contrast float64) []int {
	count := make([]int, len(thick))
	off := make([]float64, 0, len(thick))
	for d, row := range v {
		usual := medians(row, letterAlong)
		off = off[:0]
		for k, x := range row {
			if !math.IsNaN(x - usual[k]) {
				off = append(off, math.Abs(x-usual[k]))
			}
		}
		grain := 0.0
		if len(off) > 0 {
			grain = letterGrain * 1.4826 * median(off)
		}
		for k, x := range row {
			below := depthOf(d)
			if below < -letterMargin || below > thick[k]+letterMargin {
				continue
			}
			beside := below < -letterClear || below > thick[k]+letterClear
			onEdge := below > -letterEdge && below < letterEdge
			if !onEdge && x > usual[k]+math.Max(letterBright*contrast, grain) || beside && x < usual[k]-math.Max(letterDark*contrast, grain) {
				count[k]++
			}
		}
	}
	return count
}
