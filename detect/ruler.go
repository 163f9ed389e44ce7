package detect

import (
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

const (
	rulerMarks = 6    // at least, on a straight line
	rulerOff   = 3.0  // mm that a mark's middle may lie off it: the networks see places of 1.8 mm
	rulerLong  = 12.0 // mm, a mark along the bone at most,
	rulerWide  = 16.0 // mm, and across it: a wire round the bone is wider
	rulerLeast = 4.0  // mm from a mark to the next, at least,
	rulerMost  = 30.0 // mm, at most,
	rulerEven  = 0.25 // off the usual by this part at most
	rulerShare = 0.6  // of the gaps
	rulerPiece = 45.0 // mm, a numeral or marks run together, at most: a plate is longer
)

// nameRulers calls what the networks take for an implant but is a row of even marks on a
// straight line what it is, marks: a ruler on the table, common practice beside long
// films.
func (v *metalView) nameRulers() {
	const place = 2 * metalPitch
	type patch struct {
		cells []int
		at    geom.PointMM
		mark  bool
	}
	var patches []patch
	for _, cells := range components(len(v.prob), v.cols, true, func(i int) bool { return 1-v.prob[i][metalNone] >= metalProb }) {
		r0, r1, c0, c1 := v.box(cells)
		long, wide := float64(r1-r0+1)*place, float64(c1-c0+1)*place
		if long <= rulerPiece && wide <= rulerPiece {
			_, left := v.at(r0, c0)
			_, right := v.at(r0, c1)
			patches = append(patches, patch{cells, v.between(float64(r0+r1)*metalPitch, (left+right)/2), long <= rulerLong && wide <= rulerWide})
		}
	}
	for i, a := range patches {
		for _, b := range patches[i+1:] {
			if !a.mark || !b.mark || b.at.Sub(a.at).Norm() < (rulerMarks-1)*rulerLeast {
				continue
			}
			way := b.at.Sub(a.at).Unit()
			var on []patch
			var along []float64
			for _, p := range patches {
				if d := p.at.Sub(a.at); math.Abs(d.X*way.Y-d.Y*way.X) <= rulerOff {
					on = append(on, p)
					if p.mark {
						along = append(along, d.Dot(way))
					}
				}
			}
			if !even(along) {
				continue
			}
			for _, p := range on {
				for _, i := range p.cells {
					q := &v.prob[i]
					*q = [metalClasses]float64{metalNone: q[metalNone], metalMark: 1 - q[metalNone]}
				}
			}
		}
	}
}

// even tells whether so many marks lie as far from one another as a ruler's.
func even(along []float64) bool {
	if len(along) < rulerMarks {
		return false
	}
	slices.Sort(along)
	gaps := make([]float64, len(along)-1)
	for i := range gaps {
		gaps[i] = along[i+1] - along[i]
	}
	usual := median(slices.Clone(gaps))
	n := 0
	for _, g := range gaps {
		if math.Abs(g-usual) <= rulerEven*usual {
			n++
		}
	}
	return usual >= rulerLeast && usual <= rulerMost && float64(n) >= rulerShare*float64(len(gaps))
}
