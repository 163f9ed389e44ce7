package measure

import "math"

// outlineShape is a bump's outline of height 1, by the distance from its summit
// in full widths at half height.
type outlineShape struct {
	at  func(u float64) float64
	top float64 // distance to which it is nearly as high: 98 %
}

// outlineShapes are the outlines that a thickening may have: a bell, a beak with
// straight flanks, a plateau.
var outlineShapes = [...]outlineShape{
	{func(u float64) float64 { return math.Exp(-4 * math.Ln2 * u * u) }, 0.085},
	{func(u float64) float64 { return math.Max(0, 1.05-math.Sqrt(1.2*u*u+0.0025)) }, 0.045},
	{func(u float64) float64 { return math.Exp(-math.Ln2 * math.Pow(2*u, 6)) }, 0.277},
}

// outlineSkews make the proximal flank the longer or the shorter.
var outlineSkews = [...]float64{-0.5, -0.25, 0, 0.25, 0.5}

const (
	outlineReach  = 1.6  // lengths to either side over which an outline is compared
	outlineShift  = 0.4  // lengths that a summit may lie from the first fit's
	outlineSkew   = 0.3  // standard deviation of the skews
	outlineSpread = 0.25 // and of the logarithm of the length beside the first fit's
)

// outlineLengths are the lengths tried, in parts of the first fit's.
var outlineLengths = [...]float64{0.65, 0.77, 0.88, 1, 1.14, 1.3, 1.5}

// summit is the mean over the outlines that a bump may have, each weighted by how
// well it explains v but for a constant, of the middle of the levels that are nearly as high as the
// highest, of their height and of the full width at half height. v is what stands above the baseline, levels x;
// sigma the standard deviation of independent levels; b and length the first fit;
// near is where another reading has the middle, NaN for none, within its standard
// deviation.
func summit(x, v []float64, b bump, length, near, within, sigma float64) (level, height, width float64) {
	step := x[1] - x[0]
	reach, shift := int(outlineReach*length/step), int(outlineShift*length/step)
	lo, hi := max(0, b.at-reach), min(len(v)-1, b.at+reach)
	type trial struct{ gain, at, high, wide float64 }
	var trials []trial
	most := math.Inf(-1)
	for _, s := range outlineShapes {
		for _, skew := range outlineSkews {
			for _, part := range outlineLengths {
				prior := -skew*skew/(2*outlineSkew*outlineSkew) - math.Pow(math.Log(part)/outlineSpread, 2)/2
				wide := part * length
				table := make([]float64, 2*(reach+shift)+1)
				for j := range table {
					u := float64(j-reach-shift) * step / wide
					if u < 0 {
						table[j] = s.at(u / (1 + skew))
					} else {
						table[j] = s.at(u / (1 - skew))
					}
				}
				for i := max(0, b.at-shift); i <= min(len(v)-1, b.at+shift); i++ {
					var n, sv, sg, vg, gg float64
					for j := lo; j <= hi; j++ {
						if g := table[j-i+reach+shift]; !math.IsNaN(v[j]) {
							n++
							sv += v[j]
							sg += g
							vg += v[j] * g
							gg += g * g
						}
					}
					vg -= sv * sg / n
					gg -= sg * sg / n
					if !(vg > 0) {
						continue
					}
					t := trial{vg*vg/gg/(2*sigma*sigma) + prior, x[i] - s.top*skew*wide, vg / gg, wide}
					if !math.IsNaN(near) {
						off := (t.at - near) / within
						t.gain -= off * off / 2
					}
					most = math.Max(most, t.gain)
					trials = append(trials, t)
				}
			}
		}
	}
	var w, m, h, l float64
	for _, t := range trials {
		p, d := math.Exp(t.gain-most), t.at-x[b.at]
		w += p
		m += p * d
		h += p * t.high
		l += p * t.wide
	}
	if w == 0 {
		return x[b.at], b.height, length
	}
	return x[b.at] + m/w, h / w, l / w
}
