package detect

import (
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

const (
	speckPitch  = 0.2  // mm from one place of the film looked at to the next
	speckBeside = 1.8  // mm around a patch of metal that are looked at
	speckAlong  = 8.0  // mm along the bone before and after it that tell what is there without it; no longer patch is looked at
	speckRise   = 0.15 // of the contrast of bone to tissue that a thing differs from that
	speckGrain  = 4.0  // and times the standard deviation of the film's grain
	// Clips, wires and letters' strokes are about 0.5 mm wide and 3 mm long at least,
	// specks shorter and scratches narrower (common practice, no source).
	speckWide = 2   // places of half a thing's height across
	speckLong = 2.2 // mm
)

// dismissSpecks takes from v the small patches of metal where the film shows nothing
// but dust and scratches: the networks see places of 1.8 mm, on which a speck of a
// scanned film and a clip look alike. A patch with a place that both networks are sure of
// stays: grain can break up what the film shows of a clip. contrast is that of bone to
// tissue.
func (v *metalView) dismissSpecks(full *plane, sp geom.Spacing, contrast float64) {
	metal := func(i int) bool { return 1-v.prob[i][metalNone] >= metalProb }
	for _, cells := range components(len(v.prob), v.cols, true, metal) {
		r0, r1, _, _ := v.box(cells)
		sure := slices.ContainsFunc(cells, func(i int) bool { return 1-v.prob[i][metalNone] >= metalSure })
		if !sure && float64(r1-r0+1)*2*metalPitch <= speckAlong && v.longest(full, sp, cells, speckRise*contrast) < speckLong {
			for _, i := range cells {
				v.prob[i] = [metalClasses]float64{metalNone: 1}
			}
		}
	}
}

// longest is how long, in mm, the longest thing of some width is that lies at some
// cells of v and differs by more than rise, and than the film's grain, from what is
// there along the bone before and after.
func (v *metalView) longest(full *plane, sp geom.Spacing, cells []int, rise float64) float64 {
	r0, r1, c0, c1 := v.box(cells)
	_, left := v.at(r0, c0)
	_, right := v.at(r0, c1)
	const place = 2 * metalPitch
	left, right = left-place/2-speckBeside, right+place/2+speckBeside
	top, bottom := float64(r0)*place-speckAlong, float64(r1+1)*place+speckAlong
	rows, cols := int((bottom-top)/speckPitch), int((right-left)/speckPitch)
	off := make([]float64, rows*cols)
	var column, spread []float64
	for c := range cols {
		column = column[:0]
		for r := range rows {
			p := v.between(top+float64(r)*speckPitch, left+float64(c)*speckPitch)
			z, ok := full.at(p.X/sp.X, p.Y/sp.Y)
			if !ok {
				z = math.NaN()
			} else {
				column = append(column, z)
			}
			off[r*cols+c] = z
		}
		if len(column) == 0 {
			continue
		}
		usual := median(column)
		for r := range rows {
			off[r*cols+c] -= usual
			if d := off[r*cols+c]; !math.IsNaN(d) {
				spread = append(spread, math.Abs(d))
			}
		}
	}
	if len(spread) == 0 {
		return 0
	}
	const sigma = 1.4826 // standard deviations a median absolute deviation of the normal distribution
	rise = math.Max(rise, speckGrain*sigma*median(spread))
	const before = (speckAlong - speckBeside) / speckPitch // rows that are there to compare with
	long := 0.0
	for _, sign := range [2]float64{1, -1} {
		for _, thing := range components(len(off), cols, true, func(i int) bool {
			return math.Abs(float64(i/cols)-float64(rows)/2) < float64(rows)/2-before && sign*off[i] > rise
		}) {
			height := 0.0
			for _, i := range thing {
				height = math.Max(height, sign*off[i])
			}
			x0, x1, y0, y1 := cols, -1, rows, -1
			for _, i := range thing {
				if x, y := i%cols, i/cols; x+speckWide <= cols && wide(off, i, cols, sign, height/2) {
					x0, x1, y0, y1 = min(x0, x), max(x1, x+speckWide-1), min(y0, y), max(y1, y+speckWide-1)
				}
			}
			if x1 >= 0 {
				long = math.Max(long, speckPitch*math.Hypot(float64(x1-x0+1), float64(y1-y0+1)))
			}
		}
	}
	return long
}

// wide tells whether a square of speckWide places from place i on lies higher than least.
func wide(off []float64, i, cols int, sign, least float64) bool {
	for y := range speckWide {
		for x := range speckWide {
			if j := i + y*cols + x; j >= len(off) || !(sign*off[j] > least) {
				return false
			}
		}
	}
	return true
}

// box returns the first and last row and column of some cells of v.
func (v *metalView) box(cells []int) (r0, r1, c0, c1 int) {
	r0, r1, c0, c1 = v.rows, -1, v.cols, -1
	for _, i := range cells {
		r, c := i/v.cols, i%v.cols
		r0, r1, c0, c1 = min(r0, r), max(r1, r), min(c0, c), max(c1, c)
	}
	return r0, r1, c0, c1
}

// between returns the place of the film, mm, that lies along mm from the first point
// of v's mid-line and across mm from it.
func (v *metalView) between(along, across float64) geom.PointMM {
	u := clamp(along/v.m.step, 0, float64(len(v.m.p)-1))
	k := min(int(u), len(v.m.p)-2)
	p := v.m.p[k].Add(v.m.p[k+1].Sub(v.m.p[k]).Mul(u - float64(k)))
	return p.Add(v.m.n[k].Mul(across))
}
