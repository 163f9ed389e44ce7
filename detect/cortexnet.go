package detect

import (
	_ "embed"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// The network that looks along one cortex of a shaft, on either side and either
// view. training/ holds the recipe.
//
//go:embed cortex.onnx
var cortexONNX []byte

var cortexNet = newNetwork("cortex", cortexONNX)

// A tile is a piece of the film straightened along a line beside the outer edge:
// rows along the shaft, proximal first, columns from outside inward.
const (
	tileCols     = 112
	tileDown     = 0.5          // mm from row to row
	tileAcross   = 0.2          // mm from column to column
	tileLine     = 32           // column of the line
	tileLevels   = 192          // of the output, every mm, at least,
	tileWhole    = 32           // in multiples of this,
	tilePlaces   = tileCols / 2 // of every twice tileAcross mm
	tileBeyond   = 12           // levels beyond the ends of the trace that are looked at,
	tileFar      = 48           // where it turned out to end too early
	stripPlanes  = 5
	stripNumbers = 9
)

// Planes of the output that are used, and what follows for each level. The others
// (edges without a thickening; its heights, its peak and their spreads) help the
// network to learn.
const (
	planeOuter = 0
	planeInner = 1
	planeLine  = 4

	numberOuterSeen = 0
	numberInnerSeen = 1
	numberFocal     = 2
)

// StripLevel is what the network sees of a cortex at one level. Depths are in mm
// below the line that the strip runs along.
type StripLevel struct {
	At           geom.PointPx // on that line
	Outer, Inner StripEdge
	Focal        float64             // probability that a focal thickening covers the level
	Line         [tilePlaces]float64 // probabilities that a dark line crosses the place, from lateral
}

// StripEdge is one edge at one level: its depth with its spread, mm, and the
// probability that it is there to see.
type StripEdge struct{ Depth, Spread, Seen float64 }

// Strip is a cortex as the network sees it, every mm along the traced direction.
type Strip struct {
	Levels []StripLevel
	first  int // level of the course of the first of Levels
	course *course
}

// Strip is what the network sees of one side of f; nil where it found no
// cortex to look along.
func (f *Femur) Strip(clockwise bool) *Strip {
	s := 1
	if clockwise {
		s = 0
	}
	if f.fine[s] == nil {
		return nil
	}
	return f.fine[s].strip
}

// Px returns the place on the film depth mm below the strip's line at its i-th level.
func (s *Strip) Px(i int, depth float64) geom.PointPx {
	k := s.first + i
	x, y := s.course.at(float64(k), s.course.refAt(float64(k))-depth)
	return geom.PointPx{X: x, Y: y}
}

// stripAt is what the network sees at level k of the course; nil where it did not look.
func (c *course) stripAt(k int) *StripLevel {
	if c.strip == nil || k < c.strip.first || k >= c.strip.first+len(c.strip.Levels) {
		return nil
	}
	return &c.strip.Levels[k-c.strip.first]
}

// refAt is the shaft's own course at u levels, prolonged straight beyond its ends.
func (c *course) refAt(u float64) float64 {
	if v := edgeAt(c.ref, u); !math.IsNaN(v) {
		return v
	}
	first, last := known(c.ref)
	const over = 10
	end, in := first, min(first+over, last)
	if u > float64(last) {
		end, in = last, max(last-over, first)
	}
	if in == end {
		return c.ref[end]
	}
	return c.ref[end] + (u-float64(end))*(c.ref[in]-c.ref[end])/float64(in-end)
}

// lineAt is the greatest probability of a dark line that the network sees at u
// levels along the course, n mm from the mid-line, or beside it; NaN where it did
// not look.
func (s *Strip) lineAt(u, n float64) float64 {
	const beside = 1 // levels, and places
	k := int(math.Round(u)) - s.first
	place := int(math.Round(((s.course.refAt(u)-n)/tileAcross + tileLine - 0.5) / 2))
	best := math.NaN()
	for i := max(0, k-beside); i <= min(len(s.Levels)-1, k+beside); i++ {
		for j := max(0, place-beside); j <= min(tilePlaces-1, place+beside); j++ {
			if p := s.Levels[i].Line[j]; !(p <= best) {
				best = p
			}
		}
	}
	return best
}

// likeliestLine is the greatest probability of a dark line that the network sees
// anywhere.
func (s *Strip) likeliestLine() (p float64) {
	for i := range s.Levels {
		p = max(p, slices.Max(s.Levels[i].Line[:]))
	}
	return p
}

// lineNear tells whether the network sees a dark line within so many levels of
// level k.
func (s *Strip) lineNear(k, within int) bool {
	for i := max(0, k-within-s.first); i <= min(len(s.Levels)-1, k+within-s.first); i++ {
		if slices.Max(s.Levels[i].Line[:]) > stripLine {
			return true
		}
	}
	return false
}

const (
	stripLine    = 0.5  // probability from which a place lies on a dark line
	stripSeen    = 0.5  // probability that an edge is there to see, from which it is taken,
	stripSpread  = 0.5  // with this spread at most, mm,
	stripSharp   = 0.36 // or, well told, this one
	stripHidden  = 0.2  // probability below which a traced edge is none
	stripKnown   = 0.3  // of the traced edges that the network must see to be believed
	sigmaSharp   = 0.08 // mm, of a well told edge: from samples that were not trained on,
	sigmaBlurred = 0.3  // and of others
)

// sure tells whether an edge of the network's is one.
func (e StripEdge) sure() bool { return e.Seen >= stripSeen && e.Spread <= stripSpread }

func (e StripEdge) sigma() float64 {
	if e.Spread <= stripSharp {
		return sigmaSharp
	}
	return sigmaBlurred
}

// look asks the network along c and so many levels beyond its ends, and leaves it
// where a picture is strange to it.
func (c *course) look(g *plane, beyond int) error {
	s, err := c.scan(g, beyond)
	if err != nil {
		return err
	}
	traced, seen := 0.0, 0.0
	for i := range s.Levels {
		if !math.IsNaN(c.outer[s.first+i]) {
			traced++
		}
		if s.Levels[i].Outer.sure() {
			seen++
		}
	}
	if seen > 0 && seen >= stripKnown*traced {
		c.strip = &s
	}
	return nil
}

// sureAt returns the network's edges at level k, the inner one NaN where there is
// none; both NaN and false where it is not sure of that.
func (c *course) sureAt(k int) (outer, inner float64, ok bool) {
	inner = math.NaN()
	l := c.stripAt(k)
	if l == nil || !l.Outer.sure() {
		return math.NaN(), inner, false
	}
	if l.Inner.Seen >= stripHidden {
		if !l.Inner.sure() {
			return math.NaN(), inner, false
		}
		inner = c.refAt(float64(k)) - l.Inner.Depth
	}
	return c.refAt(float64(k)) - l.Outer.Depth, inner, true
}

// takeSure takes the network's edges where it is sure of them.
func (c *course) takeSure() {
	if c.strip == nil {
		return
	}
	for i := range c.strip.Levels {
		k, l := c.strip.first+i, &c.strip.Levels[i]
		if c.hidden[k] {
			continue
		}
		ref := c.refAt(float64(k))
		for _, e := range []struct {
			StripEdge
			at, sigma []float64
		}{{l.Outer, c.outer, c.sOuter}, {l.Inner, c.inner, c.sInner}} {
			switch {
			case e.sure():
				e.at[k], e.sigma[k] = ref-e.Depth, e.StripEdge.sigma()
			case e.Seen < stripHidden:
				e.at[k] = math.NaN()
			}
		}
	}
}

// scan runs the network along c, in one piece: it has learnt pieces of tileLevels,
// and what it makes of a level hangs on what lies within half of that.
func (c *course) scan(g *plane, beyond int) (Strip, error) {
	first, last := known(c.ref)
	if first < 0 {
		return Strip{}, nil
	}
	lo, hi := max(0, first-beyond), min(len(c.m.p)-1, last+beyond)
	s := Strip{first: lo, course: c, Levels: make([]StripLevel, hi-lo+1)}
	levels := max(tileLevels, (len(s.Levels)+tileWhole-1)/tileWhole*tileWhole)
	out, err := cortexNet.run(c.tile(g, levels, lo, hi), 2*levels, tileCols, levels*(stripPlanes*tilePlaces+stripNumbers))
	if err != nil {
		return Strip{}, err
	}
	for i := range s.Levels {
		s.Levels[i].read(out, levels, i)
		s.Levels[i].At = s.Px(i, 0)
	}
	return s, nil
}

// tile samples so many levels from lo on, their contrast stretched as the network
// wants it. Beyond the level hi the last row goes on.
func (c *course) tile(g *plane, levels, lo, hi int) []float32 {
	v := make([]float64, 2*levels*tileCols)
	for r := range 2 * levels {
		row := v[r*tileCols : (r+1)*tileCols]
		u := float64(lo) + (float64(r)-0.5)*tileDown/fineStep
		for _, o := range subPixels {
			w := clamp(u+o[0]*tileDown/fineStep, float64(lo), float64(hi))
			top := c.refAt(w) - (o[1]-tileLine)*tileAcross
			x, y := c.at(w, top)
			x1, y1 := c.at(w, top-tileAcross)
			g.addLine(row, x, y, x1-x, y1-y)
		}
		for col, sum := range row {
			row[col] = 0 // off the film
			if sum == sum {
				row[col] = sum / float64(len(subPixels))
			}
		}
	}
	return stretched(v)
}

// read takes level r of so many out of the network's output.
func (l *StripLevel) read(out []float32, levels, r int) {
	plane := func(p int) []float32 { return out[(p*levels+r)*tilePlaces:][:tilePlaces] }
	number := func(n int) float64 { return float64(out[levels*(stripPlanes*tilePlaces+n)+r]) }
	edge := func(p int) (depth, spread float64) {
		x, _, xx, _ := moments(plane(p), tilePlaces)
		return (2*x + 0.5 - tileLine) * tileAcross, 2 * tileAcross * math.Sqrt(math.Max(xx, 0))
	}
	l.Outer.Depth, l.Outer.Spread = edge(planeOuter)
	l.Inner.Depth, l.Inner.Spread = edge(planeInner)
	l.Outer.Seen, l.Inner.Seen = sigmoid(float32(number(numberOuterSeen))), sigmoid(float32(number(numberInnerSeen)))
	l.Focal = sigmoid(float32(number(numberFocal)))
	for i, z := range plane(planeLine) {
		l.Line[i] = sigmoid(z)
	}
}
