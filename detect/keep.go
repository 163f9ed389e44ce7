package detect

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

const (
	runGap    = 3    // levels not found that a run of found ones may bridge
	runLeast  = 5    // levels that make a run
	runJump   = 1.4  // mm from one level found to the next, beyond the slope before
	joinGap   = 20   // levels not found, behind a letter or a clip, across which a run goes on
	joinSlack = 1.2  // mm from where the run before points to, and
	joinSlope = 0.06 // mm more for every mm of gap, and
	joinFlare = 0.3  // where the bone widens towards the knee
	faint     = 0.25 // of the median contrast along the shaft: less is no bone's edge
	fitLevels = 10   // levels that tell where a run points to
	gapFlare  = 12   // levels not found across which it goes on where the bone widens
	fitFlare  = 4    // of them where the bone widens
	inward    = 0.17 // mm a mm that a widening bone's edge may lean towards its mid-line, and
	inSlack   = 1.2  // mm more
	thinVague = 5.0  // times the shaft's usual uncertainty, and
	vagueMM   = 0.09 // mm at least: an edge there that is less certain than that is none
	thinFaint = 0.08 // as faint, where the cortex thins out towards the knee
)

// keepShaft drops the levels of a cortex that are no part of the shaft: those
// before from, those whose edge is faint beside the rest, and whatever does not
// go on from the longest run of neighbours that agree. From the level flare on the
// bone widens towards the knee; none: 0.
func keepShaft(ls []level, from, flare int) {
	for k := range ls {
		if k < from {
			ls[k].ok = false
		}
	}
	dropFaint(ls, flare)
	runs := findRuns(ls)
	main := -1
	for i, r := range runs {
		if main < 0 || r.n > runs[main].n {
			main = i
		}
	}
	keep := make([]bool, len(ls))
	if main >= 0 && runs[main].n >= runLeast {
		mark := func(r run) {
			for k := r.a; k <= r.b; k++ {
				keep[k] = ls[k].ok
			}
		}
		mark(runs[main])
		last := runs[main]
		for i := main + 1; i < len(runs); i++ {
			if joins(ls, last, runs[i], 1, flare) {
				last = runs[i]
				mark(last)
			}
		}
		last = runs[main]
		for i := main - 1; i >= 0; i-- {
			if joins(ls, last, runs[i], -1, flare) {
				last = runs[i]
				mark(last)
			}
		}
	}
	for k := range ls {
		ls[k].ok = ls[k].ok && keep[k]
	}
	if flare > 0 {
		dropInward(ls[min(flare, len(ls)):])
	}
}

// dropInward ends an edge where it leaves a bone that widens towards its inside.
func dropInward(ls []level) {
	least := math.Inf(-1)
	for k := range ls {
		l := &ls[k]
		if !l.ok {
			continue
		}
		at := l.outer + inward*levelStep*float64(k)
		if at < least-inSlack {
			for j := k; j < len(ls); j++ {
				ls[j].ok, ls[j].innerOK = false, false
			}
			return
		}
		least = math.Max(least, at)
	}
}

// dropFaint drops the levels whose edge rises much less than the shaft's does.
func dropFaint(ls []level, flare int) {
	var c, sigma []float64
	for _, l := range ls {
		if l.ok {
			c, sigma = append(c, l.contrast), append(sigma, l.sOuter)
		}
	}
	if len(c) == 0 {
		return
	}
	usual, vague := median(c), math.Max(thinVague*median(sigma), vagueMM)
	for k := range ls {
		least := faint * usual
		if flare > 0 && k >= flare {
			least = thinFaint * usual
			ls[k].ok = ls[k].ok && ls[k].sOuter <= vague
		}
		ls[k].ok = ls[k].ok && ls[k].contrast >= least
	}
}

// run is a stretch of levels a … b, n of them found, that lie on one line.
type run struct{ a, b, n int }

func findRuns(ls []level) []run {
	var out []run
	last := -1
	for k, l := range ls {
		if !l.ok {
			continue
		}
		if n := len(out); n > 0 && k-last <= runGap+1 && math.Abs(l.outer-ls[last].outer) <= runJump*float64(k-last) {
			out[n-1].b = k
			out[n-1].n++
		} else {
			out = append(out, run{k, k, 1})
		}
		last = k
	}
	return out
}

// joins tells whether the run b goes on where a points to, in direction dir.
func joins(ls []level, a, b run, dir, flare int) bool {
	end, start := a.b, b.a
	if dir < 0 {
		end, start = a.a, b.b
	}
	gap := (start - end) * dir
	most, fit, slack := joinGap, fitLevels, joinSlope
	if flare > 0 && max(start, end) >= flare {
		most, fit, slack = gapFlare, fitFlare, joinFlare
	}
	if b.n < runLeast || gap > most {
		return false
	}
	var x, y []float64 // the last levels of a
	for k := end; k >= a.a && k <= a.b && len(x) < fit; k -= dir {
		if ls[k].ok {
			x, y = append(x, float64(k-end)), append(y, ls[k].outer)
		}
	}
	at, slope := lineThrough(x, y, nil)
	want := at + slope*float64(start-end)
	off := ls[start].outer - want
	if off < 0 { // bones widen towards the knee
		off, slack = -off, joinSlope
	}
	return off <= joinSlack+slack*levelStep*float64(gap)
}

// lineThrough is the least-squares line y = at + slope·x, weighted by w where that is
// not nil; level where the points tell no slope, not a number where none has a weight.
func lineThrough(x, y, w []float64) (at, slope float64) {
	at, slope = stat.LinearRegression(x, y, w, false)
	if math.IsNaN(slope) || math.IsInf(slope, 0) {
		return stat.Mean(y, w), 0
	}
	return at, slope
}
