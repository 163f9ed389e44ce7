package detect

import "math"

const (
	runGap    = 3    // levels not found that a run of found ones may bridge
	runLeast  = 5    // levels that make a run
	runJump   = 1.0  // mm from one level found to the next, beyond the slope before
	joinGap   = 20   // levels not found, behind a letter or a clip, across which a run goes on
	joinSlack = 1.5  // mm from where the run before points to, and
	joinSlope = 0.06 // mm more for every mm of gap
	faint     = 0.25 // of the median contrast along the shaft: less is no bone's edge
	fitLevels = 10   // levels that tell where a run points to
)

// keepShaft drops the levels of a cortex that are no part of the shaft: those
// before from, those whose edge is faint beside the rest, and whatever does not
// go on from the longest run of neighbours that agree.
func keepShaft(ls []level, from int) {
	for k := range ls {
		if k < from {
			ls[k].ok = false
		}
	}
	dropFaint(ls)
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
			if joins(ls, last, runs[i], 1) {
				last = runs[i]
				mark(last)
			}
		}
		last = runs[main]
		for i := main - 1; i >= 0; i-- {
			if joins(ls, last, runs[i], -1) {
				last = runs[i]
				mark(last)
			}
		}
	}
	for k := range ls {
		ls[k].ok = ls[k].ok && keep[k]
	}
}

// dropFaint drops the levels whose edge rises much less than the shaft's does.
func dropFaint(ls []level) {
	var c []float64
	for _, l := range ls {
		if l.ok {
			c = append(c, l.contrast)
		}
	}
	if len(c) == 0 {
		return
	}
	least := faint * median(c)
	for k := range ls {
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
func joins(ls []level, a, b run, dir int) bool {
	end, start := a.b, b.a
	if dir < 0 {
		end, start = a.a, b.b
	}
	gap := (start - end) * dir
	if b.n < runLeast || gap > joinGap {
		return false
	}
	// Line through the last levels of a.
	var n, sx, sy, sxx, sxy float64
	for k := end; k >= a.a && k <= a.b && n < fitLevels; k -= dir {
		if ls[k].ok {
			x := float64(k - end)
			n++
			sx += x
			sy += ls[k].outer
			sxx += x * x
			sxy += x * ls[k].outer
		}
	}
	slope := 0.0
	if den := n*sxx - sx*sx; den > 0 {
		slope = (n*sxy - sx*sy) / den
	}
	want := (sy-slope*sx)/n + slope*float64(start-end)
	return math.Abs(ls[start].outer-want) <= joinSlack+joinSlope*levelStep*float64(gap)
}
