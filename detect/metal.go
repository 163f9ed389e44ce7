package detect

import (
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

// Implants, for [Femur.Implant].
const (
	ImplantNone           = "none"
	ImplantIntramedullary = "intramedullary"
	ImplantPlate          = "plate"
	ImplantStem           = "stem"
	ImplantOther          = "other"
)

const (
	metalReach   = 45.0  // mm on either side of the mid-line that are searched for metal
	metalBelow   = 130.0 // mm below the trace, where a knee implant lies
	metalSharp   = 0.5   // step within 1.5 mm at both edges of metal, of the cortex's own contrast
	metalBeside  = 3.0   // mm from metal within which no edge is believed
	metalOnBone  = 0.8   // score of a band along an outer edge, where a thick cortex comes near
	besideCortex = 4.0   // mm from the outer edge to the middle of a band along it
	bandWidest   = 0.75  // of the shaft's width
	kneeWithin   = 30.0  // mm from the mid-line to the middle of a knee implant's band
	kneeBright   = 0.15  // of the cortex's contrast that a knee implant is brighter than the cortex
	kneeLevels   = 15    // levels before the trace's end where a knee may begin
	stemLongest  = 190.0 // mm
	hipStart     = 80.0  // mm below the trace's top where what starts is no stem or nail from the hip
	openEnd      = 50.0  // mm above the trace's end where what ends is no nail

	barHeight   = 4    // levels above and below that a wire must outshine
	barAway     = 3    // levels from the wire to those
	barOutside  = 12.0 // mm beside the bone where a wire has ended
	barClear    = 4.0  // mm beside the outer edge that say nothing
	barBright   = 0.06 // of the cortex's contrast
	barMiddle   = 0.1  // of the middle place over the bone's width
	barDim      = 0.15 // of the bone's width may miss the wire
	barSpacing  = 2    // levels missing between two wires
	screwsLeast = 5    // that make bars the screws of a plate
	barsLeast   = 2    // wires: one can be a line of letters or a fold
)

// bandRule says which bright stretch of a level is metal: its width and the
// skirt beside it that it must outshine, mm; its score; and how its edges go on
// from level to level, for how many levels.
type bandRule struct {
	least, most, skirt, score float64
	jump, gap, levels         int
}

// band is metal at one level: columns a … b of the strip; none where b is 0.
type band struct {
	a, b  int
	score float64
}

// metal is what lies over or beside a traced shaft: its kind by the contract,
// a band for every level, and the levels crossed by wires or screws.
type metal struct {
	kind  string
	bands []band
	bars  []bool
	st    *strip
}

// findMetal looks for metal along t. Metal is told from bone by steps at both
// its edges that are as sharp as the film and by being brighter than all bone
// and tissue beside it: a shaft has two cortices, so that neither outshines
// all the rest. Brightness counts in units of the contrast between this shaft's
// own cortex and the tissue outside it.
func (t *shaftTrace) findMetal(reduced *plane, sp geom.Spacing) metal {
	n := len(t.m.p)
	m := metal{kind: ImplantNone, bands: make([]band, n), bars: make([]bool, n)}
	long := t.m.extend(0, metalBelow)
	m.st = straighten(reduced, long, sp, metalReach, pathDN, 2, levelStep)
	cortex, unit := t.cortexLight(m.st)
	if !(unit > 0) {
		return m
	}
	bars := t.findBars(m.st, unit, m.bars)
	onShaft := bandRule{least: 3, most: bandWidest * t.width(), skirt: 20, score: 0.5, jump: 3, gap: 6, levels: 15}
	onBone := metalOnBone
	if bars >= screwsLeast { // of a plate, which may have been taken for a cortex
		onBone, onShaft.score, onShaft.levels = 0, 0.3, 10
	}
	for k := range m.bands {
		if b := onShaft.find(m.st.row(k), unit); b.score >= onBone || !t.onBone(m.st, k, b) {
			m.bands[k] = b
		}
	}
	m.kind = t.kindOf(m.st, m.bands, onShaft.runs(m.bands))
	m.knee(cortex, unit)
	switch {
	case bars < barsLeast:
		clear(m.bars)
	case bars >= screwsLeast && m.kind == ImplantNone:
		m.kind = ImplantPlate
	default:
		m.other()
	}
	return m
}

// knee adds the metal of a knee implant at and below the end of the trace. It is
// brighter than the shaft's cortex.
func (m *metal) knee(cortex, unit float64) {
	rule := bandRule{least: 10, most: 60, skirt: 2.5, score: 0.4, jump: 12, gap: 1, levels: 7}
	first := max(0, len(m.bands)-kneeLevels)
	below := make([]band, m.st.rows-first)
	for k := range below {
		row := m.st.row(first + k)
		b := rule.find(row, unit)
		if b.b > 0 && math.Abs(m.st.middle(b)) <= kneeWithin && quantile(row[b.a+2:b.b-1], 0.5) > cortex+kneeBright*unit {
			below[k] = b
		}
	}
	if len(rule.runs(below)) == 0 {
		return
	}
	m.other()
	for k := range min(len(below), len(m.bands)-first) {
		if below[k].b > 0 {
			m.bands[first+k] = below[k]
		}
	}
}

// other notes metal of a kind without a word of its own.
func (m *metal) other() {
	if m.kind == ImplantNone {
		m.kind = ImplantOther
	}
}

// middle returns the distance of a band's middle from the mid-line, mm.
func (s *strip) middle(b band) float64 { return (float64(b.a+b.b)/2 - float64(s.half)) * s.dn }

// cortexLight returns the median brightness of the cortex at its brightest place
// and its median rise from the tissue outside; NaN where no level tells.
func (t *shaftTrace) cortexLight(st *strip) (bright, rise float64) {
	const outside, inside = 4, 12 // places
	var light, c []float64
	for s, sign := range [2]int{1, -1} {
		for k, l := range t.side[s] {
			if !l.ok {
				continue
			}
			o := int(math.Round(l.outer / st.dn))
			if o+outside > st.half || o-inside < 0 {
				continue
			}
			row := st.row(k)
			most := math.Inf(-1)
			for i := o - inside; i <= o; i++ {
				most = math.Max(most, row[st.half+sign*i])
			}
			if d := most - row[st.half+sign*(o+outside)]; !math.IsNaN(d) && !math.IsInf(d, 0) {
				light, c = append(light, most), append(c, d)
			}
		}
	}
	if len(c) == 0 {
		return math.NaN(), math.NaN()
	}
	return median(light), median(c)
}

// find returns the band of a row that stands out most, if it does enough.
func (r bandRule) find(v []float64, unit float64) band {
	step := func(i int) float64 { return (v[i+1] + v[i+2] - v[i-1] - v[i-2]) / 2 }
	best := band{score: r.score}
	least, wide, skirt := int(r.least/pathDN), int(r.most/pathDN), int(r.skirt/pathDN)
	var down []int
	for i := 3; i+3 < len(v); i++ {
		if d := step(i); d < -metalSharp*unit && d <= step(i-1) && d < step(i+1) {
			down = append(down, i)
		}
	}
	if len(down) == 0 {
		return band{}
	}
	var inside []float64
	for a := 3; a+3 < len(v); a++ {
		up := step(a)
		if !(up > metalSharp*unit && up >= step(a-1) && up > step(a+1)) {
			continue
		}
		for _, b := range down {
			if b-a < least || b-a > wide {
				continue
			}
			inside = append(inside[:0], v[a+2:b-1]...)
			sort.Float64s(inside)
			level, uneven := inside[len(inside)/2], inside[len(inside)*9/10]-inside[0]
			beside := math.Max(brightest(v[max(0, a-skirt):a-1]), brightest(v[b+2:min(len(v), b+2+skirt)]))
			score := math.Min(math.Min(up, -step(b)), level-beside+unit/2)/unit - uneven/unit/2
			if score > best.score {
				best = band{a, b, score}
			}
		}
	}
	if best.b == 0 {
		return band{}
	}
	return best
}

// brightest returns the largest mean of three neighbours, −Inf where there is
// none.
func brightest(v []float64) float64 {
	most := math.Inf(-1)
	for i := 1; i+1 < len(v); i++ {
		if x := (v[i-1] + v[i] + v[i+1]) / 3; x > most {
			most = x
		}
	}
	return most
}

// runs keeps of bands those that go on from level to level for long enough,
// bridges the levels that such a run misses, and returns the runs.
func (r bandRule) runs(bands []band) (out []run) {
	in := append([]band(nil), bands...)
	clear(bands)
	used := make([]bool, len(in))
	for k := range in {
		if in[k].b == 0 || used[k] {
			continue
		}
		levels := []int{k}
		last := k
		for j := k + 1; j < len(in) && j-last <= r.gap; j++ {
			reach := r.jump + j - last - 1
			if in[j].b > 0 && abs(in[j].a-in[last].a) <= reach && abs(in[j].b-in[last].b) <= reach {
				levels = append(levels, j)
				last = j
			}
		}
		if len(levels) < r.levels {
			continue
		}
		for i, j := range levels {
			used[j] = true
			bands[j] = in[j]
			if i > 0 {
				for g := levels[i-1] + 1; g < j; g++ {
					bands[g] = in[levels[i-1]]
				}
			}
		}
		out = append(out, run{k, last, len(levels)})
	}
	return out
}

func abs(i int) int { return max(i, -i) }

// onBone tells whether the middle of a band lies along or outside an outer edge.
func (t *shaftTrace) onBone(st *strip, k int, b band) bool {
	c := st.middle(b)
	return c > t.side[0][k].outer-besideCortex || -c > t.side[1][k].outer-besideCortex
}

// kindOf names the metal by where its bands begin and end and whether they lie
// in the bone or on it.
func (t *shaftTrace) kindOf(st *strip, bands []band, runs []run) string {
	if len(runs) == 0 {
		return ImplantNone
	}
	n := len(bands)
	first, last, on, in := n, -1, 0, 0
	for _, r := range runs {
		first, last = min(first, r.a), max(last, r.b)
		for k := r.a; k <= r.b; k++ {
			if t.onBone(st, k, bands[k]) {
				on++
			} else {
				in++
			}
		}
	}
	fromHip := float64(first)*t.m.step < hipStart
	toKnee := float64(n-1-last)*t.m.step < openEnd
	switch {
	case on > in, !fromHip && !toKnee:
		return ImplantPlate
	case fromHip && !toKnee && float64(last-first)*t.m.step < stemLongest:
		return ImplantStem
	}
	return ImplantIntramedullary
}

// findBars marks the levels around each wire that crosses the bone from edge to
// edge and ends there, and returns how many there are.
func (t *shaftTrace) findBars(st *strip, unit float64, bars []bool) (found int) {
	const span = barHeight + barAway
	ridge := make([][]float64, len(bars))
	for k := span; k+span < len(bars); k++ {
		ridge[k] = make([]float64, st.cols)
		for j := range st.cols {
			var up, down float64
			for i := barAway; i < span; i++ {
				up += st.row(k - i)[j]
				down += st.row(k + i)[j]
			}
			ridge[k][j] = st.row(k)[j] - math.Max(up, down)/barHeight
		}
	}
	outside, clear := int(barOutside/st.dn), int(barClear/st.dn)
	crest := make([]float64, st.cols)
	last := -1 << 20
	for k := span + 1; k+span+1 < len(bars); k++ {
		from := st.half - int(t.side[1][k].outer/st.dn)
		to := st.half + int(t.side[0][k].outer/st.dn)
		if !t.seen(k-span) || !t.seen(k+span) || to-from < 20 || from-clear < 1 || to+clear >= st.cols-1 {
			continue
		}
		for j := 1; j+1 < st.cols; j++ {
			crest[j] = math.Inf(-1)
			for i := k - 1; i <= k+1; i++ {
				crest[j] = math.Max(crest[j], (ridge[i][j-1]+ridge[i][j]+ridge[i][j+1])/3)
			}
		}
		over := quantile(crest[from:to+1], barDim)
		beside := append([]float64(nil), crest[max(1, from-outside):from-clear]...)
		beside = append(beside, crest[to+clear:min(to+outside, st.cols-1)]...)
		middle := quantile(crest[from:to+1], 0.5)
		if !(over > 0 && over-quantile(beside, 0.7) > barBright*unit && middle > barMiddle*unit) {
			continue
		}
		for i := k - 2; i <= k+2; i++ {
			bars[i] = true
		}
		if k-last > barSpacing {
			found++
		}
		last = k
	}
	return found
}

// seen tells whether both outer edges were found at level k.
func (t *shaftTrace) seen(k int) bool { return t.side[0][k].ok && t.side[1][k].ok }

// quantile returns the value below which a part q of v lies; NaN where v holds one.
func quantile(v []float64, q float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	if len(s) == 0 || math.IsNaN(s[0]) {
		return math.NaN()
	}
	return s[int(q*float64(len(s)-1))]
}

// clear takes from t the edges that metal hides: where a band lies, the canal
// and every outer edge within metalBeside of it or under it; at a wire, all. It
// returns which shares of the outer and of the inner edges found from the level
// from on that were.
func (m metal) clear(t *shaftTrace, from int) (outer, inner float64) {
	var had, lost [2]float64
	for s := range t.side {
		for k := range t.side[s] {
			l := &t.side[s][k]
			was := *l
			switch band, beside := m.at(k, s); {
			case m.bars[k]:
				l.ok = false
			case band:
				l.innerOK = false
				l.ok = l.ok && beside < l.outer-metalBeside
			}
			if k < from || !was.ok {
				continue
			}
			had[0]++
			if !l.ok {
				lost[0]++
			}
			if was.innerOK {
				had[1]++
				if !l.ok || !l.innerOK {
					lost[1]++
				}
			}
		}
	}
	return lost[0] / math.Max(had[0], 1), lost[1] / math.Max(had[1], 1)
}

// at tells whether a band lies at level k or next to it, and how far it reaches
// towards side s, mm from the mid-line.
func (m metal) at(k, s int) (there bool, reach float64) {
	reach = math.Inf(-1)
	for j := max(0, k-1); j <= min(k+1, len(m.bands)-1); j++ {
		b := m.bands[j]
		if b.b == 0 {
			continue
		}
		there = true
		edge := b.b - m.st.half
		if s == 1 {
			edge = m.st.half - b.a
		}
		reach = math.Max(reach, float64(edge)*m.st.dn)
	}
	return there, reach
}
