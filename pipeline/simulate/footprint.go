package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

// footprint holds the columns, by row, that can meet a bone.
type footprint struct {
	step   int // rows and columns between two looks
	lo, hi []int
}

// footprint looks along every 8 mm: parts of a bone are wider than that.
func (t *stage) footprint(b *stagedBone, g grid) footprint {
	f := footprint{step: max(1, int(8/g.step()))}
	n := g.rows/f.step + 2
	f.lo, f.hi = make([]int, n), make([]int, n)
	for i := range n {
		f.lo[i] = g.cols
		for c := 0; c < g.cols+f.step; c += f.step {
			if b.nearby(t.Beam, b.place, g.place(float64(c), float64(i*f.step))) {
				f.lo[i] = max(0, min(f.lo[i], c-f.step))
				f.hi[i] = min(g.cols, c+f.step)
			}
		}
	}
	return f
}

// at returns the columns lo … hi − 1 of row r.
func (f footprint) at(r int) (lo, hi int) {
	i := r / f.step
	return min(f.lo[i], f.lo[i+1]), max(f.hi[i], f.hi[i+1])
}

// nearby says whether the ray through p passes the bone's centre line within its
// reach.
func (b *bone) nearby(beam Beam, pl *placement, p geom.PointMM) bool {
	w := vec{p.X, p.Y, 0}
	ray := beam.source().sub(w)
	m, d := pl.body(w.at(pl.at[2]/beam.SID, ray)), pl.inverse.mul(ray)
	if m[2] < b.lo-35 || m[2] > b.hi+35 {
		return false
	}
	cx, cy := b.outer.centre(m[2])
	return abs((m[0]-cx)*d[1]-(m[1]-cy)*d[0]) < b.reach(m[2])*math.Hypot(d[0], d[1])
}

// reach bounds the distance from the centre line of what is near z.
func (b *bone) reach(z float64) float64 {
	r := 0.0
	for _, at := range [3]float64{z - 20, z, z + 20} {
		i, _ := b.outer.index(at)
		s := &b.outer.st[i]
		r = max(r, s.xp, s.xn, s.yp, s.yn)
	}
	r += 10
	for i := range b.solids {
		s := &b.solids[i]
		if z > s.lo-25 && z < s.hi+25 {
			cx, cy := b.outer.centre(z)
			r = max(r, math.Hypot(s.outer.c[0]-cx, s.outer.c[1]-cy)+(s.hi-s.lo)/2+12)
		}
	}
	return r
}
