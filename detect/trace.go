package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	levelStep  = 2.0  // mm between levels
	levelSpan  = 3.0  // mm along the shaft that one level averages
	levelRows  = 7    // places averaged over levelSpan
	outsideMM  = 5.0  // of tissue outside the outer edge that a fit sees
	canalMM    = 6.0  // of canal that a fit sees at most
	outerMM    = 3.0  // of bone that a fit of the outer edge alone sees
	beyondMM   = 14.0 // beyond the outer edge expected that a search sees
	pathStiff  = 20   // of the edges that a search starts from: Whittaker's λ for levels of levelStep
	midStiff   = 300  // of the mid-line, likewise
	steadySpan = 5    // levels on either side whose median an edge must agree with
	steadyMM   = 1.0  // from that median an edge may lie
)

// guide is a shaft as the coarse grid shows it: its mid-line from proximal to
// distal, mm, and the half width of the bone there.
type guide struct {
	line []geom.PointMM
	half float64
	knee distalEnd
}

// level is one cortex at one level: distances of its outer and inner edge from
// the mid-line, mm, with their standard uncertainties.
type level struct {
	outer, inner   float64
	sOuter, sInner float64
	rms            float64 // residual of the fit, grey levels
	contrast       float64 // rise of the outer edge at 1 mm of depth, grey levels
	ok, innerOK    bool    // the outer edge was found; the inner too
}

// shaftTrace is a shaft traced at full resolution. Side 0 lies clockwise of the
// proximal direction, side 1 counter-clockwise.
type shaftTrace struct {
	m     midline
	side  [2][]level
	blur  Blur
	soft  float64 // further blur of the inner edge, mm
	flare int     // level from which it was followed towards the knee; none: 0
	end   int     // level at which the shaft ends above the knee

	field field // what the film's borders leave of it
	cut   bool  // some edges were dropped since a border cuts the bone off there
}

// outward is the sign that points a mid-line's normals towards a side.
var outward = [2]float64{1, -1}

// trace follows the shaft g and fits both cortices at every level.
func trace(full, reduced *plane, sp geom.Spacing, g guide) (*shaftTrace, bool) {
	beyond := g.beyond()
	once := beyond
	if g.knee.seen {
		once = clamp(beyond-flareReach, 0, beyond)
	}
	t := &shaftTrace{m: newMidline(g.line, levelStep).extend(20, once)}
	if len(t.m.p) < 8 {
		return nil, false
	}
	var outer, inner [2][]float64
	for s := range 2 {
		outer[s] = constant(len(t.m.p), g.half)
	}
	for _, search := range []float64{8, 3} {
		var ok bool
		for s := range outer {
			outer[s] = smooth(outer[s], constant(len(outer[s]), 1), pathStiff)
		}
		if outer, inner, ok = searchEdges(reduced, t.m, sp, outer, search); !ok {
			return nil, false
		}
		outer, inner = t.centre(outer, inner)
	}
	if beyond > once {
		t.follow(reduced, sp, g, &outer, &inner, beyond-once)
	}
	t.fit(full, sp, outer, inner)
	return t, true
}

// centre moves the mid-line to the mid-points of the outer edges and returns
// the edges as seen from there. Levels keep their index: the move is a few
// millimetres across a nearly straight line.
func (t *shaftTrace) centre(outer, inner [2][]float64) (o, i [2][]float64) {
	d := make([]float64, len(t.m.p))
	for k := range d {
		d[k] = (outer[0][k] - outer[1][k]) / 2
	}
	d = smooth(d, constant(len(d), 1), midStiff)
	t.m = t.m.shift(d)
	n := min(len(t.m.p), len(d))
	t.m.p, t.m.n = t.m.p[:n], t.m.n[:n]
	for s, sign := range outward {
		o[s], i[s] = make([]float64, n), make([]float64, n)
		for k := range n {
			o[s][k] = outer[s][k] - sign*d[k]
			i[s][k] = inner[s][k] - sign*d[k]
		}
	}
	return o, i
}

func constant(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

// searchEdges finds the edges of both cortices along m, as distances from it,
// within search mm of the outer edges expected.
func searchEdges(g *plane, m midline, sp geom.Spacing, expect [2][]float64, search float64) (outer, inner [2][]float64, ok bool) {
	reach := beyondMM
	for s := range 2 {
		for _, e := range expect[s] {
			reach = math.Max(reach, e+beyondMM)
		}
	}
	st := straighten(g, m, sp, reach, pathDN, 3, 4)
	reach = float64(st.half) * pathDN
	for s := range 2 {
		rows := make([][]float64, st.rows)
		want := make([]float64, st.rows)
		for k := range rows {
			rows[k] = st.depthRow(k, s == 0, nil)
			want[k] = (reach - expect[s][k]) / pathDN
		}
		o, i, fine := cortexPath(rows, want, int(search/pathDN), st.half)
		if !fine {
			return outer, inner, false
		}
		outer[s], inner[s] = make([]float64, st.rows), make([]float64, st.rows)
		for k := range rows {
			outer[s][k] = reach - float64(o[k])*pathDN
			inner[s][k] = reach - float64(i[k])*pathDN
		}
	}
	return outer, inner, true
}

// fit refines both edges of both sides at every level with the projected tube.
func (t *shaftTrace) fit(full *plane, sp geom.Spacing, outer, inner [2][]float64) {
	dn := math.Max(0.18, math.Min(sp.X, sp.Y))
	reach := 0.0
	for s := range 2 {
		for _, o := range outer[s] {
			reach = math.Max(reach, o+outsideMM+1)
		}
	}
	st := straighten(full, t.m, sp, reach, dn, levelRows, levelSpan)
	f := &fitter{st: st, outer: outer, inner: inner}
	f.setBlur(Blur{SigmaMM: 0.25}, 0.3)
	f.startFromBlocks()
	f.chooseBlur()
	if f.blur.Amount > 0 {
		// A rim of edge enhancement passes for a thin cortex until it is known.
		f.startFromBlocks()
	}
	t.blur, t.soft = f.blur, f.soft
	for s := range 2 {
		t.side[s] = make([]level, st.rows)
		for k := range t.side[s] {
			t.side[s][k] = f.level(s, k)
		}
		f.steady(s, t.side[s])
		for k := range t.side[s] {
			if f.doubt[s][k] {
				t.side[s][k].innerOK = false
			}
		}
		roughen(t.side[s])
	}
}

// fitter fits the levels of one straightened shaft.
type fitter struct {
	st           *strip
	outer, inner [2][]float64 // where to start, mm from the mid-line
	doubt        [2][]bool    // levels whose inner edge could as well lie elsewhere
	blur         Blur
	soft         float64
	model        tubeModel
	buf          []float64
}

// setBlur makes the model for a film of that blur.
func (f *fitter) setBlur(b Blur, soft float64) {
	f.blur, f.soft = b, soft
	f.model.outer = newEdgeTable(b)
	b.SigmaMM = math.Hypot(b.SigmaMM, soft)
	f.model.inner = newEdgeTable(b)
}

// level fits the cortex of side s at level k.
func (f *fitter) level(s, k int) level {
	return f.from(s, k, f.outer[s][k], f.inner[s][k])
}

// from fits the cortex of side s at level k from the given distances.
func (f *fitter) from(s, k int, outer, inner float64) (l level) {
	dn := f.st.dn
	halfOuter := (f.outer[0][k] + f.outer[1][k]) / 2
	halfCanal := math.Max(1.5, (f.inner[0][k]+f.inner[1][k])/2)
	f.buf = f.st.depthRow(k, s == 0, f.buf)
	reach := float64(f.st.half) * dn
	from := int((reach - outer - outsideMM) / dn)
	deep := math.Min(halfCanal, canalMM)
	to := int((reach - inner + deep) / dn)
	from, to = max(from, 0), min(to, len(f.buf))
	y := f.buf[:max(to, 0)]
	// Off the film outside: keep what is left if the edge itself is on it.
	for from < len(y) && math.IsNaN(y[from]) {
		from++
	}
	if from >= len(y) || reach-float64(from)*dn < outer+1.5 {
		return l
	}
	y = y[from:]
	for _, v := range y {
		if math.IsNaN(v) {
			return l
		}
	}
	x0 := outer - (reach - float64(from)*dn) // depth of the first sample below the outer edge expected
	if fit, ok := f.model.fit(y, x0, dn, 0, outer-inner, halfOuter, halfCanal); ok {
		l.set(outer, fit)
		l.inner = l.outer - fit.Thickness
		l.sInner = math.Sqrt(fit.VarOuter + fit.VarThick + 2*fit.CovOT)
		l.innerOK = true
		return l
	}
	short := min(len(y), int((outerMM-x0)/dn))
	if short > 0 {
		if fit, ok := f.model.fitOuter(y[:short], x0, dn, 0, halfOuter); ok {
			l.set(outer, fit)
		}
	}
	return l
}

// set notes the outer edge of a fit that started at the distance outer.
func (l *level) set(outer float64, fit tubeFit) {
	l.outer = outer - fit.Outer
	l.sOuter = math.Sqrt(fit.VarOuter)
	l.rms, l.contrast = fit.RMS, fit.Contrast
	l.ok = true
}

// blurLevels is the number of levels that the film's blur is chosen on.
const blurLevels = 9

// missPenalty is what a level without a fit adds to the mean log residual.
const missPenalty = 0.2

// chooseBlur picks the blur, the edge enhancement and the softness of the inner
// edge with which the tube fits a sample of levels best.
func (f *fitter) chooseBlur() {
	var ks []int
	for i := range blurLevels {
		ks = append(ks, (2*i+1)*f.st.rows/(2*blurLevels))
	}
	cost := func(b Blur, soft float64) float64 {
		f.setBlur(b, soft)
		sum, n := 0.0, 0
		for s := range 2 {
			for _, k := range ks {
				if l := f.level(s, k); l.innerOK {
					sum += math.Log(l.rms + 1e-9)
					n++
				}
			}
		}
		if n < len(ks)/2 {
			return math.Inf(1)
		}
		return sum/float64(n) + missPenalty*float64(2*len(ks)-n)/float64(n)
	}
	best, soft := f.blur, f.soft
	low := math.Inf(1)
	type setting struct {
		Blur
		soft float64
	}
	tried := map[setting]bool{}
	try := func(b Blur, s float64) {
		if tried[setting{b, s}] {
			return
		}
		tried[setting{b, s}] = true
		if c := cost(b, s); c < low {
			low, best, soft = c, b, s
		}
	}
	try(best, soft)
	for range 2 {
		for _, s := range []float64{0.12, 0.18, 0.25, 0.35, 0.5} {
			b := best
			b.SigmaMM = s
			try(b, soft)
		}
		for _, r := range []float64{0.6, 1.2, 2.4} {
			for _, a := range []float64{0.5, 1} {
				b := best
				b.RadiusMM, b.Amount = r, a
				try(b, soft)
			}
		}
		for _, s := range []float64{0, 0.3, 0.6} {
			try(best, s)
		}
	}
	f.setBlur(best, soft)
}

// steady drops edges that leave the run of their neighbours, after a second try
// from there.
func (f *fitter) steady(s int, ls []level) {
	slope := widening(f.outer[s])
	outer := runningMedian(ls, slope, func(l level) (float64, bool) { return l.outer, l.ok })
	inner := runningMedian(ls, slope, func(l level) (float64, bool) { return l.inner, l.ok && l.innerOK })
	for k := range ls {
		l := &ls[k]
		if math.IsNaN(outer[k]) {
			l.ok, l.innerOK = false, false
			continue
		}
		start := inner[k]
		if math.IsNaN(start) {
			start = outer[k] - (f.outer[s][k] - f.inner[s][k])
		}
		agree := func() {
			l.ok = l.ok && math.Abs(l.outer-outer[k]) <= steadyMM
			l.innerOK = l.ok && l.innerOK && math.Abs(l.inner-inner[k]) <= 1.5*steadyMM
		}
		if agree(); !l.innerOK {
			was := *l
			*l = f.from(s, k, outer[k], start)
			if agree(); !l.ok && was.ok {
				*l = was
			}
		}
	}
}

// roughen makes the uncertainty of each inner edge at least what its zig-zag
// from level to level shows: a smooth bone has none.
func roughen(ls []level) {
	bend := func(k int) (float64, bool) {
		if k < 1 || k+1 >= len(ls) || !ls[k-1].innerOK || !ls[k].innerOK || !ls[k+1].innerOK {
			return 0, false
		}
		return ls[k-1].inner - 2*ls[k].inner + ls[k+1].inner, true
	}
	rough := make([]float64, len(ls))
	for k := range ls {
		sum, n := 0.0, 0.0
		for j := k - steadySpan; j <= k+steadySpan; j++ {
			if b, ok := bend(j); ok {
				sum += b * b
				n++
			}
		}
		if n >= 4 {
			rough[k] = math.Sqrt(sum / n / 6) // the bend of independent errors has six times their variance
		}
	}
	for k := range ls {
		ls[k].sInner = math.Max(ls[k].sInner, rough[k])
	}
}

// runningMedian returns the median of what get gives over steadySpan levels on
// either side, less what slope makes of the way there; NaN where fewer than four
// levels have it.
func runningMedian(ls []level, slope []float64, get func(level) (float64, bool)) []float64 {
	out := make([]float64, len(ls))
	var v []float64
	for k := range ls {
		v = v[:0]
		for j := max(0, k-steadySpan); j <= min(len(ls)-1, k+steadySpan); j++ {
			if x, ok := get(ls[j]); ok {
				v = append(v, x-slope[k]*float64(j-k))
			}
		}
		out[k] = math.NaN()
		if len(v) >= 4 {
			out[k] = median(v)
		}
	}
	return out
}
