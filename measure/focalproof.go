package measure

import "math"

// proof is the signal to noise that a thickening needs: of a height in mm and of a
// greater one, between them in proportion. What a cortex has of its own
// irregularity is seldom high: the higher, the less proof. Fitted on simulated
// films of one seed.
type proof struct{ low, atLow, high, atHigh float64 }

var (
	// Inner surfaces are scalloped, the more so over long stretches.
	innerProof = proof{0.6, 8, 1.5, 3.6}
	outerProof = proof{0.5, 5, 1.2, 3.5}
	longProof  = proof{0.6, 8, 2.5, 3.6}
)

// least is the signal to noise needed at height h; infinite below the low one.
func (p proof) least(h float64) float64 {
	if h < p.low {
		return math.Inf(1)
	}
	return math.Max(p.atHigh, p.atLow+(p.atHigh-p.atLow)*(h-p.low)/(p.high-p.low))
}

// stands tells whether the bump stands out of the cortex's own irregularity, or,
// with signs, whether both together speak for it: the sum of their log odds, fitted
// on films of three makings.
func (c *candidate) stands() bool {
	part := c.part()
	if c.search.signs == nil {
		return part >= 1
	}
	if part <= signPart || c.height() < signHeight {
		return false
	}
	odds := logit(c.search.signs.share(c.outer.at, c.search.models[c.k].near)) +
		signWorth*(math.Min(signFull, part)-1) + signHigh*math.Min(signMost, c.height()-shownHeight)
	if c.isOuter {
		odds += signOuter
	}
	if c.lined() {
		odds += signLine
	}
	return odds > signLimit
}

// logit is the log odds of a probability; of no more than signFaint lets it be sure.
func logit(p float64) float64 {
	p = math.Max(signFaint, math.Min(1-signFaint, p))
	return math.Log(p / (1 - p))
}

// sign is the probability that the signs give the bump.
func (c *candidate) sign() float64 {
	return c.search.sign(c.outer.at, c.k)
}

// sign is the probability that the signs give a bump of length k at level i: around
// its peak, for beside a thickening they see one too.
func (f *focalSearch) sign(i, k int) float64 {
	return f.signs.around(i, f.models[k].near/signMiddle)
}

// lined tells whether a dark line crosses the bump.
func (c *candidate) lined() bool {
	return c.search.signs.lined(c.outer.at, c.search.models[c.k].near)
}

// sure tells whether the signs leave no doubt.
func (c *candidate) sure() bool { return c.search.signs != nil && c.sign() > signSure }

// seen tells whether the signs show the bump.
func (c *candidate) seen() bool { return c.search.signs != nil && c.sign() > signBeside }

const (
	signFaint  = 0.02 // of probability that says no more than this
	signPart   = 0.15 // of the signal to noise needed, without which no sign counts
	signHeight = 0.35 // mm
	signAlone  = 0.6  // of probability that an outer edge needs whose inner one is not seen
	signSure   = 0.9  // of probability that what is like a ridge, or uncommonly high, is a thickening
	signBeside = 0.7  // of probability that what the medial inner surface has too may be one
	signWorth  = 1.8  // log odds that the signal to noise needed is worth,
	signFull   = 3.0  // of it at most
	signHigh   = 0.9  // log odds that a mm of height is worth: no cortex is by itself irregular by as much,
	signMost   = 1.5  // mm above shownHeight at most
	signOuter  = 1.1  // log odds that an outer edge is worth: inner ones are scalloped
	signLine   = 3.0  // log odds that a dark line is worth: few cross a cortex elsewhere
	signLimit  = 0.1  // log odds, of all, that make a thickening
	signMiddle = 2    // the part of half a length around a bump's peak where a probability speaks for it
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
		if h > steep*focalLengths[c.k] {
			least = math.Max(least, steepProof)
		} else if long {
			least = longProof.least(math.Max(h, longProof.low))
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
	steepProof = 6.0  // the signal to noise that then is needed
	longShare  = 0.4  // of the height that must stand out of the outer surface of a long one
)

// shownHeight in mm: a film whose noise could hide this is not assessed.
const shownHeight = 1.2

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
