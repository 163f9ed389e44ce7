package detect

import "math"

const (
	outerBlurMM = 0.9  // in all: of the scale and of a film, its pixels and edge enhancement
	innerBlurMM = 1.2  // the inner edge is softer
	biasRadius  = 14.0 // mm, of the bone that stands for all
	biasStep    = 0.25 // mm of thickness
	biasMost    = 12.0 // mm
)

// slopeBias returns by how much the outer and the inner edge of a cortex lie
// outward of its steepest rise and fall, which are apart mm from each other: both slopes of
// a blurred tube lie inward of the edges, the more the wider the blur, and a
// thin cortex pushes them apart.
func slopeBias(apart float64) (outer, inner float64) {
	i := 0
	for i < len(biasTable)-2 && biasTable[i+1].apart < apart {
		i++
	}
	a, b := biasTable[i], biasTable[i+1]
	u := clamp((apart-a.apart)/(b.apart-a.apart), 0, 1)
	return a.outer + u*(b.outer-a.outer), a.inner + u*(b.inner-a.inner)
}

type bias struct{ apart, outer, inner float64 }

// biasTable holds the biases of tubes of growing thickness.
var biasTable = func() []bias {
	var out []bias
	for t := 2 * biasStep; t <= biasMost; t += biasStep {
		rise, fall := tubeSlopes(biasRadius, t, outerBlurMM, innerBlurMM)
		b := bias{fall - rise, rise, fall - t}
		if n := len(out); n == 0 || b.apart > out[n-1].apart {
			out = append(out, b)
		}
	}
	return out
}()

// tubeSlopes returns the depths below the outer edge of the steepest rise and
// fall in the projection of a tube of outer radius r and wall t, blurred by
// Gaussians of their sigmas: each chord as the first two half powers of depth.
func tubeSlopes(r, t, outer, inner float64) (rise, fall float64) {
	const h = 0.02
	up, down := 0.0, 0.0
	for x := 0.0; x < t+3*inner; x += h {
		d := math.Sqrt(r)*chordSlope(x, r, outer) - math.Sqrt(r-t)*chordSlope(x-t, r-t, inner)
		if d > up {
			up, rise = d, x
		}
		if d < down {
			down, fall = d, x
		}
	}
	return rise, fall
}

// chordSlope is the slope at depth x of √d·(1 − d/4r), blurred.
func chordSlope(x, r, sigma float64) float64 {
	_, a := blurredPower(0, x, sigma)
	_, b := blurredPower(2, x, sigma)
	return a - b/(4*r)
}
