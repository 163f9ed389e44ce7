package detect

import "math"

const (
	arcHalf   = 9    // columns on either side of an arc's middle
	arcLeast  = 0.25 // mean evidence of an arc that is there
	arcNear   = 10.0 // mm from the knee's middle to an arc's, at least
	arcFar    = 42.0 // and at most
	arcsKept  = 8    // of a side
	arcsApart = 2.0  // mm between two of them
	arcPrior  = 0.06 // what a standard deviation from the usual, or from the place expected, costs when squared
)

// arcRadii are the radii in mm of the outlines tried.
var arcRadii = [...]float64{10, 14, 19, 26, 38}

// arc is a condyle's distal outline: y = y0 − (x − x0)²/(2r).
type arc struct{ x0, y0, r, score float64 }

// arcs returns the outlines, the best first, whose middle lies between x0 and x1.
func (c *columns) arcs(x0, x1 float64) (out []arc) {
	var drop [len(arcRadii)][2*arcHalf + 1]int
	for n, r := range arcRadii {
		for k := range drop[n] {
			d := float64(k-arcHalf) * kneeDX
			drop[n][k] = int(math.Round(d * d / (2 * r) / c.dy))
		}
	}
	for i := max(arcHalf, int((x0-c.x0)/kneeDX)); i <= min(c.cols-1-arcHalf, int((x1-c.x0)/kneeDX)); i++ {
		for j := range c.rows {
			// What is no edge in the middle and at both sides is no arc.
			if c.v[i*c.rows+j] <= 0 {
				continue
			}
			best := arc{score: arcLeast}
			for n, r := range arcRadii {
				sum := 0.0
				for k, d := range drop[n] {
					if row := j - d; row >= 0 {
						sum += c.v[(i+k-arcHalf)*c.rows+row]
					}
				}
				if score := sum / (2*arcHalf + 1); score > best.score {
					best = arc{c.x0 + float64(i)*kneeDX, c.y0 + float64(j)*c.dy, r, score}
				}
			}
			if best.r > 0 {
				out = insertArc(out, best)
			}
		}
	}
	return out
}

// insertArc keeps the arcsKept best arcs of different places.
func insertArc(arcs []arc, a arc) []arc {
	at := len(arcs)
	for i, b := range arcs {
		if math.Abs(a.x0-b.x0) < 3*arcsApart && math.Abs(a.y0-b.y0) < arcsApart {
			if a.score <= b.score {
				return arcs
			}
			arcs = append(arcs[:i], arcs[i+1:]...)
			return insertArc(arcs, a)
		}
		if a.score > b.score {
			at = min(at, i)
		}
	}
	arcs = append(arcs[:at], append([]arc{a}, arcs[at:]...)...)
	return arcs[:min(len(arcs), arcsKept)]
}

// expectedAt is where a condyle is expected on the line y = 0, with its standard
// deviations in mm.
type expectedAt struct{ x, across, along float64 }

func expected(x float64, m *patchMark) expectedAt {
	return expectedAt{x, math.Hypot(m.cross, markAcross), math.Hypot(m.along, markAlong)}
}

func (e expectedAt) cost(a arc) float64 {
	dx, dy := (a.x0-e.x)/e.across, a.y0/e.along
	return arcPrior * (dx*dx + dy*dy)
}

// bestPair picks the two condyles' arcs that are clear, lie as far apart and as
// level as condyles do, and where they are expected.
func bestPair(lateral, medial []arc, l, m expectedAt) (a, b arc, ok bool) {
	best := math.Inf(-1)
	for _, p := range lateral {
		for _, q := range medial {
			half := (p.x0 - q.x0) / 2
			lean := math.Atan2(p.y0-q.y0, p.x0-q.x0) * 180 / math.Pi / kneeLeans
			wide := (half - condyleHalf) / condyleVary
			score := p.score + q.score - arcPrior*(lean*lean+wide*wide) - l.cost(p) - m.cost(q)
			if score > best {
				best, a, b, ok = score, p, q, true
			}
		}
	}
	return a, b, ok
}
