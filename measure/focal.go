package measure

import (
	"cmp"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// The words of focal_surface.
const (
	Periosteal = "periosteal"
	Endosteal  = "endosteal"
	BothFaces  = "both"
)

// CortexEdges are the two edges of one cortex, traced finely enough to carry
// what is a centimetre long.
type CortexEdges struct{ Outer, Inner Edge }

// FocalOptions says what a search for focal thickenings may use.
type FocalOptions struct {
	HasOrigin   bool    // levels count from the lesser trochanter
	OriginSigma float64 // mm
	// Signs are what a second reading of the picture shows by level; nil: none.
	Signs []FocalSign
}

// focalLengths are the full widths at half height, in mm, of the bumps that are
// tried. What fits the last best is no focal thickening but the cortex's own
// slow course, unless the signs are sure of it.
var focalLengths = [...]float64{8, 11, 15, 20, 27, 36, 48}

const (
	leastAssessed = 60.0 // mm of diaphysis with both edges of the cortex
	leastBase     = 35.0 // mm to either side over which a bump's baseline is fitted at least,
	bumpBase      = 2.2  // and in lengths of the bump
	rulerBase     = 70.0 // mm to either side for telling lengths apart
	noiseFloor    = 0.06 // mm: no real cortex's baseline is smoother at the scale of a bump
	shownHeight   = 1.2  // mm: a film whose noise could hide this is not assessed
	shareLow      = 0.25 // outer share below which a thickening is endosteal,
	shareHigh     = 0.75 // and above which periosteal
	symmetric     = 0.4  // of the lateral bump's height: a medial one beside it that is as high is callus all round
	symmetricSNR  = 3.5
	medialReach   = 8    // levels
	innerPrior    = 0.8  // of the outer edge's height that the inner's is likely to have at most,
	innerMost     = 0.5  // and mm
	innerAway     = 0.3  // of what the inner edge seems to recede where the outer stands out
	leastThick    = 0.4  // of an edge's bump that must be thickness: else the bone bends there
	hopeless      = 1.8  // signal to noise, its own bump in the noise, from which on none is looked at
	mostTried     = 8    // bumps looked at
	beyondEnds    = 15.0 // mm beyond the diaphysis that still help to tell its baseline
	mostHeight    = 4.5  // mm: what stands out farther is an edge that was traced wrongly, unless the signs are sure of it (common practice, no source),
	heightEnd     = 8.0  // mm: and this in any case
	focalEnd      = 4.0  // mm inside the diaphysis' ends where a peak may lie
)

// FindFocal looks for focal thickenings of the lateral cortex along the visible
// diaphysis: stretches of 7 to 40 mm where it is thicker than its own course
// before and behind lets expect. Each of the outer edge, the inner edge and the
// thickness is fitted, at every level and for bumps of every length, by a cubic
// and the bump; the noise is the robust standard deviation of the heights so
// fitted where nothing is, at the same length. A bump that the medial cortex
// has too at the same level, or of one edge only because the bone bends, is
// none. Found ones come proximal first.
//
// assessed is false where nothing was found but too little of the cortex is
// seen, its noise could hide a thickening of 1.2 mm, or its trace went astray.
func (s *Shaft) FindFocal(lateral, medial CortexEdges, o FocalOptions) (found []Focal, assessed bool) {
	const op = "FindFocal"
	lat, err := s.profileOf(op, lateral, 1)
	if err != nil {
		return nil, false
	}
	med, err := s.profileOf(op, medial, -1)
	if err != nil {
		return nil, false
	}
	d := s.diaphysis(o.HasOrigin)
	lat.clip(s, d)
	if lat.both(s, d)*s.Step < leastAssessed {
		return nil, false
	}
	search := newFocalSearch(s.S, s.Step, lat, med, s.signsOf(o.Signs))
	astray := false
	for range mostTried {
		c, ok := search.next(d)
		if !ok {
			break
		}
		if !c.stands() {
			continue
		}
		search.remove(&c)
		if h := c.height(); h > heightEnd || h > mostHeight && !(search.signs != nil && c.sign() > signSure) {
			astray = true
			continue
		}
		if c.holds() && !beside(found, &c) && !(o.HasOrigin && c.gluteal()) {
			found = append(found, c.focal(o))
		}
	}
	slices.SortFunc(found, func(a, b Focal) int { return cmp.Compare(a.Level.X, b.Level.X) })
	return found, len(found) > 0 || !astray && search.couldShow(d)
}

// beside tells whether c is no more than what the shape of one that was found
// leaves over.
func beside(found []Focal, c *candidate) bool {
	for _, f := range found {
		if math.Abs(f.Level.X-c.search.x[c.outer.at]) < f.Length.X+focalLengths[c.k]/2 && c.height() < leftover*f.Height.X {
			return true
		}
	}
	return false
}

// leftover is the part of a thickening's height that its shape may leave over
// beside it.
const leftover = 0.6

// cortexProfile is one cortex by level: its outer edge from a straight line
// along the shaft, mm outward, its inner edge from the same line, and its
// thickness; NaN where not seen.
type cortexProfile struct{ outer, inner, thick []float64 }

// profileOf casts the edges of one cortex on the shaft's levels. sign is that of
// the normals that point out of the bone on this side.
func (s *Shaft) profileOf(op string, c CortexEdges, sign float64) (p cortexProfile, err error) {
	var e [2]edge
	if e[0], err = newEdge(op, "outer", c.Outer); err != nil {
		return p, err
	}
	if e[1], err = newEdge(op, "inner", c.Inner); err != nil {
		return p, err
	}
	n := len(s.S)
	p = cortexProfile{make([]float64, n), make([]float64, n), make([]float64, n)}
	casters := [2]caster{{edge: e[0]}, {edge: e[1]}}
	chord := s.Mid[n-1].Sub(s.Mid[0]).Unit()
	across := clockwise(chord).Mul(s.sense * sign)
	for i := range n {
		out := s.Normal[i].Mul(sign)
		t := geom.PointMM{X: out.Y, Y: -out.X}
		if t.Dot(chord) < 0 {
			t = t.Mul(-1)
		}
		a, _ := casters[0].cast(s.Mid[i], t, out)
		b, _ := casters[1].cast(s.Mid[i], t, out)
		if !(a > 0 && a < mostHalf) {
			a = math.NaN()
		}
		if !(b < a) || a-b > mostHalf {
			b = math.NaN()
		}
		// The mid-line itself gives way to a bump on one side: count from its chord.
		bow := s.Mid[i].Sub(s.Mid[0]).Dot(across)
		p.outer[i], p.inner[i], p.thick[i] = a+bow, b+bow, a-b
	}
	return p, nil
}

// mostHalf in mm is beyond any half width of a shaft on a film.
const mostHalf geom.MM = 60

// clip blanks what lies farther than beyondEnds outside the diaphysis.
func (p *cortexProfile) clip(s *Shaft, d diaphysis) {
	for i := range s.S {
		if s.S[i] < d.from-beyondEnds || s.S[i] > d.to+beyondEnds {
			p.outer[i], p.inner[i], p.thick[i] = math.NaN(), math.NaN(), math.NaN()
		}
	}
}

// both counts the levels of the diaphysis with both edges.
func (p *cortexProfile) both(s *Shaft, d diaphysis) (n float64) {
	for i, t := range p.thick {
		if s.S[i] >= d.from && s.S[i] <= d.to && !math.IsNaN(t) {
			n++
		}
	}
	return n
}

// layer is one line of the cortex with its bumps of every length at every
// second level.
type layer struct {
	y     []float64
	fits  [len(focalLengths)][]bump
	noise [len(focalLengths)]float64 // of height over unit
}

// fitEvery is the number of levels from one bump tried to the next.
const fitEvery = 2

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

// couldShow tells whether over at least leastAssessed a thickening of shownHeight
// would have been found: on whichever surface, or, where the inner surface is too
// irregular for that, one of which half stands out of the outer surface.
func (f *focalSearch) couldShow(d diaphysis) bool {
	const k = 2 // 15 mm
	n := 0.0
	for i := range f.thick.fits[k] {
		if x := f.x[f.thick.fits[k][i].at]; x < d.from || x > d.to {
			continue
		}
		if f.signs.shows(f.thick.fits[k][i].at) {
			n += fitEvery
			continue
		}
		t, o := f.thick.sigma(k, &f.thick.fits[k][i]), f.outer.sigma(k, &f.outer.fits[k][i])
		if innerProof.least(shownHeight)*t <= shownHeight || outerProof.least(shownHeight/2)*o <= shownHeight/2 && t <= shownHeight/2 {
			n += fitEvery
		}
	}
	return n*(f.x[1]-f.x[0]) >= leastAssessed
}

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
				if f.taken[b.at] || f.x[b.at] < d.from+focalEnd || f.x[b.at] > d.to-focalEnd {
					continue
				}
				snr := b.height / l.sigma(k, b)
				if w := snr * (signLeast + f.signs.around(b.at, f.models[k].near)); w > most && snr > hopeless {
					at, first, most, c.snr, c.isOuter = b.at, k, w, snr, l == f.outer
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
	k, at := f.measure(l.y, at, first)
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

// placeReach in levels is how far the place of a bump may move once the noise is
// known.
const placeReach = 6

// measure returns the length and the place near at with which a bump explains y
// best; first where nothing does.
func (f *focalSearch) measure(y []float64, at, first int) (k, i int) {
	k, i = first, at
	high := 0.0
	for try, m := range f.rulers {
		for j := max(0, at-placeReach); j <= min(len(y)-1, at+placeReach); j++ {
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

// proof is the signal to noise that a thickening needs: of a height in mm and of a
// greater one, between them in proportion. What a cortex has of its own
// irregularity is seldom high: the higher, the less proof. Fitted on simulated
// films of one seed.
type proof struct{ low, atLow, high, atHigh float64 }

var (
	// Inner surfaces are scalloped, the more so over long stretches.
	innerProof = proof{0.6, 8, 1.5, 3.6}
	outerProof = proof{0.5, 5, 1.2, 3.5}
)

// least is the signal to noise needed at height h; infinite below the low one.
func (p proof) least(h float64) float64 {
	if h < p.low {
		return math.Inf(1)
	}
	return math.Max(p.atHigh, p.atLow+(p.atHigh-p.atLow)*(h-p.low)/(p.high-p.low))
}

// stands tells whether the bump stands out of the cortex's own irregularity, or,
// with signs, whether both together speak for it.
func (c *candidate) stands() bool {
	part := c.part()
	if c.search.signs == nil {
		return part >= 1
	}
	q := math.Max(signFaint, math.Min(1-signFaint, c.sign()))
	return part > signPart && c.height() >= signHeight && math.Log(q/(1-q))+signWorth*(part-1) > signLimit
}

// sign is the probability that the signs give the bump.
func (c *candidate) sign() float64 {
	return c.search.signs.around(c.outer.at, c.search.models[c.k].near)
}

const (
	signLeast  = 0.5  // beside a probability, of a bump to be looked at
	signFaint  = 0.02 // of probability that says no more than this
	signPart   = 0.3  // of the signal to noise needed, without which no sign counts
	signHeight = 0.35 // mm
	signAlone  = 0.5  // of probability that an outer edge needs whose inner one is not seen
	signSure   = 0.9  // of probability that what is like a ridge, or uncommonly high, is a thickening
	signWorth  = 4.0  // log odds that the signal to noise needed is worth
	signLimit  = 0.7  // log odds, of both, that make a thickening
)

// least is the signal to noise that proof asks for; signs let a lower one count
// too.
func (c *candidate) least(p proof, h float64) float64 {
	if c.search.signs != nil {
		h = math.Max(h, p.low)
	}
	return p.least(h)
}

// part is the bump's signal to noise in parts of that which it needs by itself.
func (c *candidate) part() float64 {
	h := c.height()
	long := focalLengths[c.k] > longBump && c.outer.height < longShare*h
	if c.outer.height < shareLow*h && c.outer.height < outerSeen*c.sdOuter || long {
		if c.jumps() {
			return 0
		}
		least := c.least(innerProof, h)
		if long || h > steep*focalLengths[c.k] {
			least = math.Max(least, steepProof)
		}
		return c.thick.height / c.sdThick / least
	}
	return c.snr / c.least(outerProof, h)
}

// jumps tells whether the thickness beside the bump changes faster than bone
// does: the trace of the inner edge has changed over to another one there.
func (c *candidate) jumps() bool {
	f := c.search
	reach := int(1.2 * focalLengths[c.k] / (f.x[1] - f.x[0]))
	over := int(jumpOver/(f.x[1]-f.x[0]) + 0.5)
	y := f.models[c.k].without(f.thick.y, c.thick)
	for i := max(0, c.thick.at-reach); i+over <= min(len(y)-1, c.thick.at+reach); i++ {
		if math.Abs(y[i+over]-y[i]) > jumpHigh {
			return true
		}
	}
	return false
}

const (
	jumpOver   = 3.0  // mm along the shaft
	jumpHigh   = 1.6  // mm
	outerSeen  = 3.0  // standard uncertainties from which an outer edge's bump is one
	longBump   = 30.0 // mm
	steep      = 0.15 // height over length from which an inner edge rather jumps, and
	steepProof = 6.0  // the signal to noise that then, or for a long one, is needed
	longShare  = 0.4  // of the height that must stand out of the outer surface of a long one
)

// holds tells whether the bump is a focal thickening of the lateral cortex.
func (c *candidate) holds() bool {
	f := c.search
	if c.k == len(focalLengths)-1 && !(f.signs != nil && c.sign() > signSure) || f.signs != nil && math.IsNaN(c.thick.unit) && c.sign() < signAlone {
		return false
	}
	if o, t := c.outer, c.thick; c.isOuter && !math.IsNaN(t.unit) &&
		t.height+2*c.sdThick < o.height && t.height < leastThick*o.height {
		return false
	}
	// Callus lies all round, and a shaft's own course is much the same on both sides.
	return !f.onMedial(c.k, f.med.outer, c.outer) && !f.onMedial(c.k, f.med.thick, c.thick)
}

// gluteal tells whether the bump may be the gluteal ridge, which stands out of
// the outer surface below the trochanters, long and low.
func (c *candidate) gluteal() bool {
	if c.search.signs != nil && c.sign() > signSure {
		return false
	}
	level, length, _ := c.outline()
	return level < ridgeEnd && length > ridgeLong && c.height() < ridgeHigh && c.outer.height > shareHigh*c.height()
}

// Where the gluteal ridge lies, its length and its height: common practice, no
// source.
const (
	ridgeEnd  = 75.0 // mm below the lesser trochanter
	ridgeLong = 34.0 // mm at least
	ridgeHigh = 1.8  // mm at most
)

// onMedial tells whether the line y of the medial cortex has the bump too.
func (f *focalSearch) onMedial(k int, y []float64, lateral bump) bool {
	if math.IsNaN(lateral.unit) {
		return false
	}
	m := f.models[k]
	top := bump{unit: math.NaN()}
	for i := max(0, lateral.at-medialReach); i <= min(len(f.x)-1, lateral.at+medialReach); i += fitEvery {
		if b := m.fit(y, i, f.weight); b.height > symmetric*lateral.height && !(b.height/b.unit <= top.height/top.unit) {
			top = b
		}
	}
	if math.IsNaN(top.unit) {
		return false
	}
	return top.height > symmetricSNR*math.Max(noiseFloor, f.noiseAt(m.without(y, top), k)*top.unit)
}

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

// outline returns where what stands above the baseline is highest and its full
// width at half that height, both smoothed over a part of the bump's length. The
// peak, the middle of the levels that are nearly as high, need not be the
// bump's middle. part is its height in parts of the bump's.
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
	peak, part = summit(f.x, v, b, m.length, f.signs.centre(f.x, b.at, m.near), m.rough(y, bump{at: b.at, unit: 1, coef: [bumpTerms]float64{b.coef[0], b.coef[1], b.coef[2], b.coef[3]}}))
	part = math.Max(partLeast, math.Min(partMost, part/b.height))
	v = smoothed(f.x, v, math.Max(peakLeast, peakPart*m.length))
	lo, hi := max(0, b.at-2*m.near), min(len(v)-1, b.at+2*m.near)
	top := b.at
	for i := lo; i <= hi; i++ {
		if v[i] > v[top] {
			top = i
		}
	}
	length = m.length
	if a, ok := f.crossing(v, top, -1, v[top]/2); ok {
		if z, ok := f.crossing(v, top, 1, v[top]/2); ok {
			length = z - a
		}
	}
	return peak, length, part
}

// crossing returns the level where v first falls below half, from index top on in
// steps of dir; false where it ends before.
func (f *focalSearch) crossing(v []float64, top, dir int, half float64) (float64, bool) {
	for i := top; i+dir >= 0 && i+dir < len(v); i += dir {
		if a, b := v[i], v[i+dir]; b < half {
			return f.x[i] + (a-half)/(a-b)*(f.x[i+dir]-f.x[i]), true
		} else if math.IsNaN(b) {
			break
		}
	}
	return 0, false
}

// smoothed returns y smoothed by a local quadratic of half-width h; NaN where that
// has too few data.
func smoothed(x, y []float64, h float64) []float64 {
	out := make([]float64, len(y))
	var fit smoother
	for i := range y {
		out[i] = math.NaN()
		if fit.fit(x, y, x[i], h, 2) {
			out[i], _ = fit.apply(y)
		}
	}
	return out
}

// The half-width of the local quadratic that smooths a bump's outline, in mm at
// least and in lengths of the bump, and how near to the highest is nearly.
const (
	peakLeast = 4.0
	peakPart  = 0.35
	partLeast = 0.75 // of a bell's height that another outline has
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
		Length: Value{length, 0.3 * length},
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

// DrawFocal returns where the thickening lies on the film of spacing sp.
func (s *Shaft) DrawFocal(t Focal, lateral CortexEdges, sp geom.Spacing) FocalPx {
	at := func(level float64) geom.PointPx {
		i := min(max(int(math.Round((level-s.S[0])/s.Step)), 0), len(s.S)-1)
		best := math.Inf(1)
		var p geom.PointMM
		for _, q := range lateral.Outer.P {
			if d := math.Abs(q.Sub(s.Mid[i]).Cross(s.Normal[i])); d < best && q.Sub(s.Mid[i]).Norm() < mostHalf {
				best, p = d, q
			}
		}
		return sp.Px(p)
	}
	return FocalPx{t.Level.X, t.Height.X, at(t.Level.X - t.Length.X/2), at(t.Level.X + t.Length.X/2), at(t.Level.X)}
}

// LevelOf returns the level whose normal passes nearest to p.
func (s *Shaft) LevelOf(p geom.PointMM) float64 {
	best, at := math.Inf(1), 0.0
	for i := range s.S {
		d := p.Sub(s.Mid[i])
		if off := math.Abs(d.Cross(s.Normal[i])); off < best && d.Norm() < mostHalf {
			best, at = off, s.S[i]
		}
	}
	return at
}
