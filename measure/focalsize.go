package measure

import "math"

const (
	shareLow   = 0.25 // outer share below which a thickening is endosteal,
	shareHigh  = 0.75 // and above which periosteal
	innerPrior = 0.8  // of the outer edge's height that the inner's is likely to have at most,
	innerMost  = 0.5  // and mm
	innerAway  = 0.3  // of what the inner edge seems to recede where the outer stands out
)

// height is the thickening's height: that of the outer edge and, where it is
// known to be one, that of the inner.
func (c *candidate) height() float64 {
	o, i, _ := c.parts()
	return o + i
}

// parts returns the heights of both faces and the standard uncertainty of their
// sum. The inner face's is drawn to none the more, the less the film shows of it.
func (c *candidate) parts() (outer, inner, sigma float64) {
	o, t := c.outer.height, c.thick.height
	switch {
	case math.IsNaN(c.thick.unit):
		return o, 0, math.Hypot(c.sdOuter, innerPrior*o)
	case math.IsNaN(c.outer.unit):
		return 0, t, c.sdThick
	}
	if !c.isOuter {
		return math.Max(o, 0), t - math.Max(o, 0), c.sdThick
	}
	prior := innerPrior*math.Max(o, 0) + innerMost
	v, p := c.sdThick*c.sdThick, prior*prior
	k := p / (p + v)
	i := k * (t - o)
	if i < 0 { // where a cortex bulges outward its inner face hardly does
		i *= innerAway
	}
	return o, i, math.Hypot(c.sdOuter, math.Sqrt(k*v))
}

// focal writes the finding. What the fit's own noise leaves out of the
// uncertainties, shapes other than a bell above all, was fitted on simulated
// films of one seed.
func (c *candidate) focal(o FocalOptions) Focal {
	outer, inner, sigma := c.parts()
	peak, length, part := c.outline()
	outer, inner = part*outer, part*inner
	h := outer + inner
	out := Focal{
		Level:  Value{peak, 2 * norm(o.OriginSigma, 0.4, 0.045*length, 0.55*length*sigma/h)},
		Height: Value{h, 2 * norm(1.1*sigma, 0.13*h)},
		Length: Value{length, 2 * length * norm(0.1, sigma/h)},
		SNR:    c.snr,
	}
	share := math.Max(0, math.Min(1, outer/h))
	out.OuterShare = Value{share, 2 * norm(0.07, sigma/h)}
	switch {
	case share < shareLow:
		out.Surface = Endosteal
	case share > shareHigh:
		out.Surface = Periosteal
	default:
		out.Surface = BothFaces
	}
	return out
}

// outline returns where what stands above the baseline is highest and its full
// width at half height. The peak, the middle of the levels that are nearly as high,
// need not be the bump's middle. part is its height in parts of the bump's.
func (c *candidate) outline() (peak, length, part float64) {
	f := c.search
	b, y := c.thick, f.thick.y
	if c.isOuter {
		b, y = c.outer, f.outer.y
	}
	m := f.models[c.k]
	// The bump is out of y: what stands above the baseline is the bump and what it
	// leaves over.
	v := make([]float64, len(y))
	for i := range y {
		v[i] = y[i] + b.height*m.shape(i, b.at) - m.course(&b, i)
	}
	near, within := f.signs.middle(f.x, b.at, m.near, m.length)
	peak, part, length = summit(f.x, v, b, m.length, near, within, m.rough(y, bump{at: b.at, unit: 1, coef: [bumpTerms]float64{b.coef[0], b.coef[1], b.coef[2], b.coef[3]}}))
	return peak, length, math.Max(partLeast, math.Min(partMost, part/b.height))
}

// What another outline has of a bell's height.
const (
	partLeast = 0.75
	partMost  = 1.2
)

// norm is the square root of the sum of squares.
func norm(v ...float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum)
}
