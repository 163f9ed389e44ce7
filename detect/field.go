package detect

import "shaftgauge/measure/geom"

// frame is a rectangle of a film in pixels.
type frame struct{ top, left, rows, cols int }

const (
	burntShare  = 0.02  // of a film's pixels at its very end of the range: a burnt plate, or black
	burntMargin = 0.004 // of the range that counts as the very end
	mostlyBurnt = 0.6   // of a film's pixels near an end: a small field, scatter and noise around it
	burntNear   = 0.04  // of the range that counts as near
	lineShare   = 0.04  // of a line's pixels that must show something for the line to count
	leastPart   = 260.0 // mm: the network knows films, not details; a smaller part is widened
)

// exposed returns the part of g that shows something: without the lines at its
// borders that are burnt white or black, outside a collimator or beside the
// patient; but at least leastPart each way, where the film has that. The
// rectangle is in film pixels.
func exposed(g *plane, sp geom.Spacing) frame {
	lo, hi := uint16(1<<16-1), uint16(0)
	for _, v := range g.pix {
		lo, hi = min(lo, v), max(hi, v)
	}
	// atEnds returns the limits of both ends of the range, and how many pixels lie there.
	atEnds := func(margin float64) (low, high uint16, nLow, nHigh int) {
		m := uint16(margin * float64(hi-lo))
		low, high = lo+m, hi-m
		for _, v := range g.pix {
			if v <= low {
				nLow++
			}
			if v >= high {
				nHigh++
			}
		}
		return low, high, nLow, nHigh
	}
	low, high, nLow, nHigh := atEnds(burntNear)
	if float64(max(nLow, nHigh)) < mostlyBurnt*float64(len(g.pix)) {
		low, high, nLow, nHigh = atEnds(burntMargin)
	}
	least := int(burntShare * float64(len(g.pix)))
	cutLow, cutHigh := nLow > least, nHigh > least
	rows, cols := make([]int, g.rows), make([]int, g.cols)
	for y := range g.rows {
		for x, v := range g.pix[y*g.cols : (y+1)*g.cols] {
			if cutLow && v <= low || cutHigh && v >= high {
				continue
			}
			rows[y]++
			cols[x]++
		}
	}
	top, bottom := span(rows, int(lineShare*float64(g.cols)))
	left, right := span(cols, int(lineShare*float64(g.rows)))
	k := int(g.k)
	top, bottom = widened(top, bottom, g.rows, int(leastPart/(sp.Y*g.k)))
	left, right = widened(left, right, g.cols, int(leastPart/(sp.X*g.k)))
	if bottom-top < 8 || right-left < 8 {
		return frame{0, 0, g.rows * k, g.cols * k}
	}
	return frame{top * k, left * k, (bottom - top) * k, (right - left) * k}
}

// span returns the first line with more than least, and the one after the last.
func span(n []int, least int) (from, to int) {
	for from < len(n) && n[from] <= least {
		from++
	}
	to = len(n)
	for to > from && n[to-1] <= least {
		to--
	}
	return from, to
}

// widened grows from … to evenly to least lines, within n.
func widened(from, to, n, least int) (int, int) {
	least = min(least, n)
	if more := least - (to - from); more > 0 {
		from = min(max(0, from-more/2), n-least)
		to = from + least
	}
	return from, to
}

// part copies the rectangle f of g.
func (g *plane) part(f frame) *plane {
	k := int(g.k)
	out := &plane{rows: f.rows / k, cols: f.cols / k, k: g.k}
	for y := range out.rows {
		row := (f.top/k + y) * g.cols
		out.pix = append(out.pix, g.pix[row+f.left/k:row+f.left/k+out.cols]...)
	}
	return out
}
