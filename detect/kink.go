package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	kinkReach  = 20 // levels with both edges on either side of a place that is looked at for a kink
	kinkWithin = 40 // levels that they lie on: a break and metal leave gaps
	kinkFound  = 13 // of them, at least
	kinkParams = 5  // of either fit

	// Whole femurs, simulated and of real surfaces, have sharp up to 1.8 where
	// the fit has an angle or a step of this size; broken ones from 5 on.
	kinkSharp = 3.0
	kinkAngle = 4.0 * math.Pi / 180
	kinkStep  = 2.0 // mm

	kinkShare = 0.4 // of a mid-line's kink that each edge has where parts are displaced; a bump has it on one side only
)

// kink is how a mid-line changes at one place beyond the bow of what lies to both
// sides: by a step in mm and by an angle in radians. sharp is how much closer
// it follows the mid-points than a smooth bend does, the root of the ratio of the
// sums of squares.
type kink struct{ step, angle, sharp float64 }

// parts tells whether no whole bone has such a kink.
func (k kink) parts() bool {
	return k.sharp > kinkSharp && (math.Abs(k.angle) > kinkAngle || math.Abs(k.step) > kinkStep)
}

// sharedBy tells whether an edge of the bone has the kink of its mid-line too.
func (k kink) sharedBy(edge kink) bool {
	return math.Abs(k.angle) > kinkAngle && edge.angle/k.angle > kinkShare || math.Abs(k.step) > kinkStep && edge.step/k.step > kinkShare
}

// newKink fits the mid-points around the place between levels k−1 and k, of
// which those with a half width are known: one bow on both sides, and beyond the
// place a step and a turn. A polynomial with as many terms stands for a smooth
// bend. step is the distance of the levels, mm. ok is false where too little is known.
func newKink(mid []geom.PointMM, half []float64, k int, step float64) (out kink, ok bool) {
	from, before := reached(half, k-1, -1)
	to, after := reached(half, k, 1)
	if before < kinkFound || after < kinkFound {
		return out, false
	}
	to++
	along := mid[to-1].Sub(mid[from]).Unit()
	broken, smooth := normal{n: kinkParams}, normal{n: kinkParams}
	for i := from; i < to; i++ {
		if math.IsNaN(half[i]) {
			continue
		}
		d := mid[i].Sub(mid[from])
		y := d.X*along.Y - d.Y*along.X
		s := (float64(i-k) + 0.5) / kinkReach // −1 … 1
		row := [maxParams]float64{1, s, s * s}
		if i >= k {
			row[3], row[4] = 1, s
		}
		broken.add(row, y)
		smooth.add([maxParams]float64{1, s, s * s, s * s * s, s * s * s * s}, y)
	}
	c, rest := broken.solve()
	_, bent := smooth.solve()
	return kink{step: c[3], angle: c[4] / (kinkReach * step), sharp: math.Sqrt(bent / math.Max(rest, 1e-9))}, true
}

// reached goes from level k on in the direction dir to the last of kinkReach
// known levels and returns it and their number.
func reached(half []float64, k, dir int) (last, n int) {
	last = k
	for i := range kinkWithin {
		j := k + i*dir
		if j < 0 || j >= len(half) || n == kinkReach {
			break
		}
		if half[j] == half[j] {
			last = j
			n++
		}
	}
	return last, n
}
