package measure

import "math"

// holds tells whether the bump is a focal thickening of the lateral cortex.
func (c *candidate) holds() bool {
	f := c.search
	if c.k == len(focalLengths)-1 || f.signs != nil && math.IsNaN(c.thick.unit) && c.sign() < signAlone {
		return false
	}
	if o, t := c.outer, c.thick; c.isOuter && !math.IsNaN(t.unit) &&
		t.height+2*c.sdThick < o.height && t.height < leastThick*o.height {
		return false
	}
	return !c.allRound()
}

// allRound tells whether the medial cortex has the bump too: callus lies all round,
// and a shaft's own course is much the same on both sides. Where the signs see the
// bump, the other side's inner surface says nothing.
func (c *candidate) allRound() bool {
	f := c.search
	return f.onMedial(c.k, f.med.outer, c.outer, c.height()) || !c.seen() && f.onMedial(c.k, f.med.thick, c.thick, c.thick.height)
}

const (
	leastThick   = 0.4 // of an edge's bump that must be thickness: else the bone bends there
	symmetric    = 0.4 // of the lateral bump's height: a medial one beside it that is as high is callus all round
	symmetricSNR = 3.5
	medialReach  = 8 // levels
)

// onMedial tells whether the line y of the medial cortex has the lateral bump too, of
// which high is the height, mm.
func (f *focalSearch) onMedial(k int, y []float64, lateral bump, high float64) bool {
	if math.IsNaN(lateral.unit) {
		return false
	}
	m := f.models[k]
	top := bump{unit: math.NaN()}
	for i := max(0, lateral.at-medialReach); i <= min(len(f.x)-1, lateral.at+medialReach); i += fitEvery {
		if b := m.fit(y, i, f.weight); b.height > symmetric*high && !(b.height/b.unit <= top.height/top.unit) {
			top = b
		}
	}
	if math.IsNaN(top.unit) {
		return false
	}
	return top.height > symmetricSNR*math.Max(noiseFloor, f.noiseAt(m.without(y, top), k)*top.unit)
}

// gluteal tells whether the bump may be the gluteal ridge, which stands out of
// the outer surface below the trochanters, long and low.
func (c *candidate) gluteal() bool {
	if c.sure() {
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
