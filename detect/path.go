package detect

import "math"

// The two edges of one cortex are found together: a state of the search is a
// place of the outer edge and a thickness, so that the order of the edges and
// the smoothness of both are kept by construction.
const (
	pathDN        = 0.5  // mm between places
	thicknessMin  = 1.0  // mm
	thicknessMax  = 18.0 // mm
	thickPenalty  = 0.20
	offsetPenalty = 0.004 // of a perfect edge, for each mm² from the place expected
	edgeScaleMM   = 0.8   // Gaussian scale of the edge evidence
	trendMM       = 7.0   // over which a steady rise is no edge
)

// turnCost is the price of moving the outer edge by −1 … 1 mm against the place
// expected from one level to the next, in perfect edges.
var turnCost = [5]float64{0.6, 0.25, 0, 0.25, 0.6}

// cortexPath returns, for each level, the depth index of the outer edge and of
// the inner edge in rows (each from outside inward, pathDN apart), by dynamic
// programming over levels. expect is the depth index expected of the outer
// edge, search its half range, deepest the greatest index an inner edge may
// have. ok is false when there is no level to search.
func cortexPath(rows [][]float64, expect []float64, search, deepest int) (outer, inner []int, ok bool) {
	n := len(rows)
	if n == 0 {
		return nil, nil, false
	}
	nt := int((thicknessMax-thicknessMin)/pathDN) + 1
	t0 := int(thicknessMin / pathDN)
	no := 2*search + 1
	states := no * nt
	score := make([]float64, states)
	next := make([]float64, states)
	eased := make([]float64, states) // best over a change of thickness
	back := make([]int8, n*states)
	easedBack := make([]int8, states)
	base := make([]int, n)
	rise := make([]float64, 0, 256)
	best, from := make([]float64, nt), make([]int8, nt) // of the places before, by thickness
	for k := range rows {
		base[k] = int(math.Round(expect[k])) - search
		rise = edgeEvidence(rows[k], rise)
		if k > 0 {
			ease(score, eased, easedBack, nt)
		}
		for o := range no {
			jo := base[k] + o
			off := float64(jo) - expect[k]
			ro := at(rise, jo) - offsetPenalty*off*off*pathDN*pathDN
			here := next[o*nt : (o+1)*nt]
			for t := range here {
				ji := jo + t0 + t
				here[t] = ro - at(rise, ji)
				if ji > deepest || jo < 0 {
					here[t] = -1e6
				}
			}
			if k == 0 {
				continue
			}
			for t := range best {
				best[t], from[t] = math.Inf(-1), 0
			}
			for do := max(-2, -o); do <= min(2, no-1-o); do++ {
				cost := turnCost[do+2]
				for t, v := range eased[(o+do)*nt : (o+do+1)*nt] {
					if v -= cost; v > best[t] {
						best[t], from[t] = v, int8(do)
					}
				}
			}
			to := back[k*states+o*nt:][:nt]
			for t := range here {
				here[t] += best[t]
				to[t] = (from[t]+2)*3 + easedBack[(o+int(from[t]))*nt+t] + 1
			}
		}
		score, next = next, score
	}
	top := 0
	for i, v := range score {
		if v > score[top] {
			top = i
		}
	}
	outer, inner = make([]int, n), make([]int, n)
	o, t := top/nt, top%nt
	for k := n - 1; k >= 0; k-- {
		outer[k] = base[k] + o
		inner[k] = outer[k] + t0 + t
		if k == 0 {
			break
		}
		from := back[k*states+o*nt+t]
		o = min(max(o+int(from)/3-2, 0), no-1)
		t = min(max(t+int(from)%3-1, 0), nt-1)
	}
	return outer, inner, true
}

// ease sets eased to the best score of a state or of its neighbours in
// thickness, and back to which of them it was, −1 … 1.
func ease(score, eased []float64, back []int8, nt int) {
	for a := 0; a < len(score); a += nt {
		part, out, how := score[a:a+nt], eased[a:a+nt], back[a:a+nt]
		for t, v := range part {
			best, from := v, int8(0)
			if t > 0 && part[t-1]-thickPenalty > best {
				best, from = part[t-1]-thickPenalty, -1
			}
			if t+1 < nt && part[t+1]-thickPenalty > best {
				best, from = part[t+1]-thickPenalty, 1
			}
			out[t], how[t] = best, from
		}
	}
}

func at(v []float64, i int) float64 {
	if i < 0 || i >= len(v) {
		return 0
	}
	return v[i]
}

// edgeEvidence returns how strongly row rises inward at each place, −1 … 1:
// the derivative at edgeScaleMM, less its mean over trendMM on either side
// (exposure falls towards the skin all along), over its robust size in the row,
// compressed so that metal or a letter does not outweigh bone.
func edgeEvidence(row, buf []float64) []float64 {
	buf = buf[:0]
	const r = int(2.5 * edgeScaleMM / pathDN)
	var kernel [r + 1]float64
	for d := range kernel {
		u := float64(d) * pathDN / edgeScaleMM
		kernel[d] = u * math.Exp(-u*u/2)
	}
	total := make([]float64, len(row)+1) // running sum of the derivative
	for i := range row {
		g := 0.0
		for d := 1; d <= r; d++ {
			if i-d < 0 || i+d >= len(row) {
				g = 0
				break
			}
			g += kernel[d] * (row[i+d] - row[i-d])
		}
		if math.IsNaN(g) {
			g = 0
		}
		buf = append(buf, g)
		total[i+1] = total[i] + g
	}
	const w = int(trendMM / pathDN)
	sum := 0.0
	for i := range buf {
		a, b := max(0, i-w), min(len(row), i+w+1)
		if buf[i] != 0 {
			buf[i] -= (total[b] - total[a]) / float64(b-a)
		}
		sum += math.Abs(buf[i])
	}
	size := 1.5*sum/float64(max(1, len(row))) + 1e-9
	for i, g := range buf {
		buf[i] = g / (math.Abs(g) + size)
	}
	return buf
}
