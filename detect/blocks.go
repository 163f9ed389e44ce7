package detect

import "math"

// Before single levels are fitted, stretches of the shaft are: their mean
// profile shows a faint inner edge that a level's noise hides, so every
// thickness can be tried.
const (
	blockLevels = 10   // in a block
	blockStep   = 2.0  // mm between the thicknesses tried
	blockThin   = 2    // samples of the mean profile that are taken as one
	blockJump   = 0.5  // of the log residual for each mm that neighbouring blocks' thickness differs beyond
	blockSlack  = 1.0  // mm
	canalLeast  = 1.0  // mm of half a canal
	otherMM     = 2.0  // mm by which another thickness is quite another
	otherMargin = 0.03 // of the log residual within which it fits as well
	thinMM      = 3.0  // thickness below which a trial pays
	thinPenalty = 0.1  // of the log residual for each mm below
)

// trial is a thickness that a block may have, with the move of its outer edge
// inward and the log of the residual.
type trial struct{ thickness, move, cost float64 }

// startFromBlocks replaces the edges to start from by those with which whole
// stretches of each cortex fit best, smooth from stretch to stretch.
func (f *fitter) startFromBlocks() {
	for s := range 2 {
		var tries [][]trial
		var at []int
		for a := 0; a < f.st.rows; a += blockLevels {
			b := min(a+blockLevels, f.st.rows)
			if b-a < blockLevels/2 {
				break
			}
			tries = append(tries, f.blockTrials(s, a, b))
			at = append(at, (a+b)/2)
		}
		thickness, move := smoothest(tries)
		f.doubt[s] = doubtful(tries, thickness, f.st.rows)
		for k := range f.inner[s] {
			if t, ok := between(at, thickness, k); ok {
				m, _ := between(at, move, k)
				f.outer[s][k] -= m
				f.inner[s][k] = f.outer[s][k] - t
			}
		}
	}
}

// doubtful tells for each level whether its block would fit as well with quite
// another thickness than the one chosen.
func doubtful(tries [][]trial, chosen []float64, rows int) []bool {
	out := make([]bool, rows)
	for i, ts := range tries {
		cost := math.Inf(1)
		for _, t := range ts {
			if t.thickness == chosen[i] {
				cost = t.cost
			}
		}
		for _, t := range ts {
			if math.Abs(t.thickness-chosen[i]) > otherMM && t.cost < cost+otherMargin {
				for k := i * blockLevels; k < min((i+1)*blockLevels, rows); k++ {
					out[k] = true
				}
			}
		}
	}
	return out
}

// blockTrials fits the mean profile of levels a … b from every thickness and
// returns the different answers.
func (f *fitter) blockTrials(s, a, b int) []trial {
	mid := (a + b) / 2
	y := f.meanProfile(s, a, b)
	if y == nil {
		return nil
	}
	half := (f.outer[0][mid] + f.outer[1][mid]) / 2
	var out []trial
	// The same samples for every thickness, to the middle of the bone, so that
	// the residuals compare.
	y = thinned(y[:min(len(y), int((outsideMM+half)/f.st.dn))], blockThin)
	dn := f.st.dn * blockThin
	x0 := -outsideMM + f.st.dn*(blockThin-1)/2
	for t := thicknessMin + blockStep/2; t < math.Min(thicknessMax, half-canalLeast/2); t += blockStep {
		fit, ok := f.model.fit(y, x0, dn, 0, t, half, math.Max(canalLeast, half-t))
		if !ok || fit.Thickness < thicknessMin/2 || fit.Thickness > thicknessMax || math.Abs(fit.Outer) > 2 {
			continue
		}
		out = append(out, trial{fit.Thickness, fit.Outer, math.Log(fit.Misfit+1e-9) + thinPenalty*math.Max(0, thinMM-fit.Thickness)})
	}
	return out
}

// thinned returns the means of every n values, in y's own memory.
func thinned(y []float64, n int) []float64 {
	out := y[:0]
	for i := 0; i+n <= len(y); i += n {
		sum := 0.0
		for _, v := range y[i : i+n] {
			sum += v
		}
		out = append(out, sum/float64(n))
	}
	return out
}

// meanProfile is the mean of levels a … b of side s from outsideMM outside the
// outer edge inward, each shifted to its own outer edge; nil off the film.
func (f *fitter) meanProfile(s, a, b int) []float64 {
	n := int((outsideMM + thicknessMax + canalMM) / f.st.dn)
	sum := make([]float64, n)
	rows := 0.0
	for k := a; k < b; k++ {
		f.buf = f.st.depthRow(k, s == 0, f.buf)
		from := (float64(f.st.half)*f.st.dn - f.outer[s][k] - outsideMM) / f.st.dn
		i := int(math.Floor(from))
		u := from - float64(i)
		if i < 0 || math.IsNaN(f.buf[i]) {
			continue
		}
		last := 0.0
		for j := range sum {
			if i+j+1 < len(f.buf) {
				last = f.buf[i+j] + u*(f.buf[i+j+1]-f.buf[i+j])
			}
			sum[j] += last
		}
		rows++
	}
	if rows < 3 {
		return nil
	}
	for j := range sum {
		if sum[j] /= rows; math.IsNaN(sum[j]) {
			return nil
		}
	}
	return sum
}

// smoothest picks one trial a block so that residuals and jumps between blocks
// are least together; NaN for blocks without any.
func smoothest(tries [][]trial) (thickness, move []float64) {
	thickness, move = make([]float64, len(tries)), make([]float64, len(tries))
	type node struct {
		cost float64
		from int
	}
	nodes := make([][]node, len(tries))
	prev := -1
	for i, ts := range tries {
		nodes[i] = make([]node, len(ts))
		for j, t := range ts {
			nodes[i][j] = node{t.cost, -1}
			if prev >= 0 {
				low := math.Inf(1)
				for k, p := range tries[prev] {
					jump := math.Max(0, math.Abs(p.thickness-t.thickness)-blockSlack)
					if c := nodes[prev][k].cost + blockJump*jump; c < low {
						low, nodes[i][j].from = c, k
					}
				}
				nodes[i][j].cost += low
			}
		}
		if len(ts) > 0 {
			prev = i
		}
		thickness[i], move[i] = math.NaN(), math.NaN()
	}
	if prev < 0 {
		return thickness, move
	}
	j := 0
	for k := range nodes[prev] {
		if nodes[prev][k].cost < nodes[prev][j].cost {
			j = k
		}
	}
	for i := prev; i >= 0; i-- {
		if len(tries[i]) == 0 {
			continue
		}
		thickness[i], move[i] = tries[i][j].thickness, tries[i][j].move
		j = nodes[i][j].from
		if j < 0 {
			break
		}
	}
	return thickness, move
}

// between interpolates the values v at the levels at for level k.
func between(at []int, v []float64, k int) (float64, bool) {
	before, after := -1, -1
	for i := range at {
		if math.IsNaN(v[i]) {
			continue
		}
		if at[i] <= k {
			before = i
		} else if after < 0 {
			after = i
		}
	}
	switch {
	case before < 0 && after < 0:
		return 0, false
	case before < 0:
		return v[after], true
	case after < 0:
		return v[before], true
	}
	u := float64(k-at[before]) / float64(at[after]-at[before])
	return v[before] + u*(v[after]-v[before]), true
}
