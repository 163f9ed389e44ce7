package measure

import "math"

// focalLengths are the full widths at half height, in mm, of the bumps that are
// tried. What fits the last best is no focal thickening but the cortex's own
// slow course.
var focalLengths = [...]float64{8, 11, 15, 20, 27, 36, 48}

const (
	leastBase  = 35.0 // mm to either side over which a bump's baseline is fitted at least,
	bumpBase   = 2.2  // and in lengths of the bump
	rulerBase  = 70.0 // mm to either side for telling lengths apart
	noiseFloor = 0.06 // mm: no real cortex's baseline is smoother at the scale of a bump
	hopeless   = 1.8  // signal to noise, its own bump in the noise, from which on none is looked at,
	signHope   = 1.0  // and that much lower where the signs are sure of it
	focalEnd   = 4.0  // mm inside the diaphysis' ends where a peak may lie
	signLeast  = 0.5  // beside a probability, of a bump to be looked at
	fitEvery   = 2    // levels from one bump tried to the next
	placeReach = 6    // levels that the place of a bump may move once the noise is known,
	lineReach  = 3    // and from that of a dark line
)

// focalSearch holds what is being searched: the lateral cortex less the bumps
// taken out of it.
type focalSearch struct {
	x            []float64
	med          cortexProfile
	signs        *signs // nil: none
	models       [len(focalLengths)]*bumpModel
	rulers       [len(focalLengths)]*bumpModel // over one window, so that lengths compare
	outer, thick *layer
	taken        []bool
	weight       []float64 // scratch
}

func newFocalSearch(x []float64, step float64, lat, med cortexProfile, signs *signs) *focalSearch {
	f := &focalSearch{x: x, med: med, signs: signs, taken: make([]bool, len(x)), weight: make([]float64, len(x))}
	for k, length := range focalLengths {
		f.models[k] = newBumpModel(length, math.Max(leastBase, bumpBase*length), step)
		f.rulers[k] = newBumpModel(length, rulerBase, step)
	}
	f.outer, f.thick = f.newLayer(lat.outer), f.newLayer(lat.thick)
	return f
}

// layer is one line of the cortex with its bumps of every length at every
// second level.
type layer struct {
	y     []float64
	fits  [len(focalLengths)][]bump
	noise [len(focalLengths)]float64 // of height over unit
}

// newLayer fits all bumps to y.
func (f *focalSearch) newLayer(y []float64) *layer {
	l := &layer{y: y}
	var sd [len(focalLengths)]float64
	for k := range f.models {
		l.fits[k], sd[k] = f.row(y, k, fitEvery)
	}
	for k := range sd {
		l.noise[k] = besides(sd[:], k)
	}
	return l
}

// row fits bumps of length k to y at every so many levels. noise is the robust
// standard deviation of their heights, in units of what independent data of
// standard deviation 1 would give.
func (f *focalSearch) row(y []float64, k, every int) (fits []bump, noise float64) {
	var r []float64
	for i := 0; i < len(y); i += every {
		b := f.models[k].fit(y, i, f.weight)
		fits = append(fits, b)
		if !math.IsNaN(b.unit) {
			r = append(r, b.height/b.unit)
		}
	}
	return fits, robustSD(r)
}

// besides is the noise at length k: few stretches of a cortex are independent,
// so that the lengths before and after help.
func besides(sd []float64, k int) float64 {
	sum, n := 0.0, 0.0
	for j := max(0, k-1); j <= min(len(sd)-1, k+1); j++ {
		if w := 1 + float64(1-abs(j-k)); !math.IsNaN(sd[j]) {
			sum += w * sd[j] * sd[j]
			n += w
		}
	}
	return math.Sqrt(sum / n) // NaN for none
}

func abs(i int) int { return max(i, -i) }

// noiseAt is the noise of y at length k alone.
func (f *focalSearch) noiseAt(y []float64, k int) float64 {
	var sd [len(focalLengths)]float64
	for j := max(0, k-1); j <= min(len(sd)-1, k+1); j++ {
		_, sd[j] = f.row(y, j, 1+j/2)
	}
	return besides(sd[:], k)
}

// sigma is the standard uncertainty of the height of a bump of length k.
func (l *layer) sigma(k int, b *bump) float64 { return math.Max(noiseFloor, l.noise[k]*b.unit) }

// candidate is a bump of one line, judged against what is left without it.
type candidate struct {
	search           *focalSearch
	k                int  // its length
	isOuter          bool // found on the outer edge, else by the thickness
	snr              float64
	outer, thick     bump
	sdOuter, sdThick float64 // standard uncertainties of the two heights
}

// next returns the bump left that stands out most; false where none does.
func (f *focalSearch) next(d diaphysis) (c candidate, ok bool) {
	at, first, most := -1, 0, 0.0
	for k := range focalLengths {
		for _, l := range []*layer{f.outer, f.thick} {
			for j := range l.fits[k] {
				b := &l.fits[k][j]
				if f.taken[b.at] || !f.inside(b.at, d) {
					continue
				}
				snr := b.height / l.sigma(k, b)
				if q := f.sign(b.at, k); snr*(signLeast+q) > most && snr > hopeless-signHope*math.Max(0, 2*q-1) {
					at, first, most, c.snr, c.isOuter = b.at, k, snr*(signLeast+q), snr, l == f.outer
				}
			}
		}
	}
	if at < 0 {
		return c, false
	}
	// Its length and place, then the noise without it.
	l := f.outer
	if !c.isOuter {
		l = f.thick
	}
	k, at := f.measure(l.y, at, placeReach, len(focalLengths), first)
	if i, ok := f.signs.lineAt(f.x, at, f.models[k].near); ok && (abs(i-at) > lineReach || k == len(focalLengths)-1) {
		// A dark line crosses a thickening where it is highest.
		k, at = f.measure(l.y, i, lineReach, len(focalLengths)-1, k)
	}
	m := f.models[k]
	c = candidate{search: f, k: k, isOuter: c.isOuter, outer: m.fit(f.outer.y, at, f.weight), thick: m.fit(f.thick.y, at, f.weight)}
	sigma := func(y []float64, b bump) float64 {
		return math.Max(noiseFloor, math.Max(f.noiseAt(m.without(y, b), k), m.rough(y, b))*b.unit)
	}
	c.sdThick, c.sdOuter = sigma(f.thick.y, c.thick), sigma(f.outer.y, c.outer)
	c.snr = c.thick.height / c.sdThick
	if o := c.outer.height / c.sdOuter; c.isOuter || o > c.snr {
		c.isOuter, c.snr = true, o
	}
	for i := range f.x {
		if math.Abs(f.x[i]-f.x[at]) < focalLengths[k] {
			f.taken[i] = true
		}
	}
	return c, true
}

// inside tells whether a peak may lie at the i-th level.
func (f *focalSearch) inside(i int, d diaphysis) bool {
	return f.x[i] >= d.from+focalEnd && f.x[i] <= d.to-focalEnd
}

// inside tells whether the peak still lies within the diaphysis where it was measured:
// else it is the flank of what lies beyond, unless a dark line crosses it.
func (c *candidate) inside(d diaphysis) bool { return c.search.inside(c.outer.at, d) || c.lined() }

// measure returns the length, of the first so many, and the place within reach levels
// of at with which a bump explains y best; first where nothing does.
func (f *focalSearch) measure(y []float64, at, reach, lengths, first int) (k, i int) {
	k, i = min(first, lengths-1), at
	high := 0.0
	for try, m := range f.rulers[:lengths] {
		for j := max(0, at-reach); j <= min(len(y)-1, at+reach); j++ {
			if b := m.fit(y, j, f.weight); b.height/b.unit > high {
				k, i, high = try, j, b.height/b.unit
			}
		}
	}
	return k, i
}

// remove takes the bump out of the search.
func (f *focalSearch) remove(c *candidate) {
	m := f.models[c.k]
	f.outer, f.thick = f.newLayer(m.without(f.outer.y, c.outer)), f.newLayer(m.without(f.thick.y, c.thick))
}
