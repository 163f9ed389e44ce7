package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// A condyle's outline is that of a cap of metal where the film rises across it by more
// than metalRise times what it rises across the shaft's outer edges. Across 75 pairs of
// bony condyles on films of two makers it rose by 1.95 times at most, on our own by 1.5,
// across a metal cap by 3.5.
const (
	metalRise   = 2.6
	capOutside  = 4.0 // mm outside of the outline, from where
	capNearest  = 1.5 // to where the film beside it is looked at,
	capFrom     = 2.0 // mm inside, from where
	capTo       = 5.0 // to where the bone is
	capHalf     = 2.0 // mm along the outline to either side
	capSampling = 0.5 // mm
)

// capped tells whether the outlines at both places are metal's; distal points out of the
// bone.
func (t *shaftTrace) capped(film *plane, sp geom.Spacing, at [2]geom.PointMM, distal geom.PointMM) bool {
	usual := t.contrast()
	if usual <= 0 {
		return false
	}
	least := math.Min(riseAcross(film, sp, at[0], distal), riseAcross(film, sp, at[1], distal))
	return least > metalRise*usual // not a number: false
}

// riseAcross is by how much g is brighter inside of the outline at p than outside; NaN
// off the film.
func riseAcross(g *plane, sp geom.Spacing, p, out geom.PointMM) float64 {
	along := geom.PointMM{X: -out.Y, Y: out.X}
	mean := func(from, to float64) float64 {
		sum, n := 0.0, 0.0
		for d := from; d <= to; d += capSampling {
			for a := -capHalf; a <= capHalf; a += capSampling {
				q := p.Add(out.Mul(d)).Add(along.Mul(a))
				if v, ok := g.at(q.X/sp.X, q.Y/sp.Y); ok {
					sum += v
					n++
				}
			}
		}
		return sum / n
	}
	return mean(-capTo, -capFrom) - mean(capNearest, capOutside)
}
