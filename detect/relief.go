package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// relief is a film's slopes on a grid of borderMM.
type relief struct {
	rows, cols int
	dx, dy     []float64
	field      field
}

func (r *relief) place(i, j int) geom.PointMM {
	return geom.PointMM{X: (float64(j) + 0.5) * borderMM, Y: (float64(i) + 0.5) * borderMM}
}

// on tells whether q lies on the film and in the field as known so far.
func (r *relief) on(q geom.PointMM) bool {
	const rim = 2 * borderMM
	return q.X > rim && q.Y > rim && q.X < float64(r.cols)*borderMM-rim && q.Y < float64(r.rows)*borderMM-rim && !r.field.cuts(q, 0)
}

// slope is the film's slope at q along n.
func (r *relief) slope(q, n geom.PointMM) float64 {
	i, j := int(q.Y/borderMM), int(q.X/borderMM)
	if i < 0 || j < 0 || i >= r.rows || j >= r.cols {
		return 0
	}
	k := i*r.cols + j
	return r.dx[k]*n.X + r.dy[k]*n.Y
}

// newRelief takes the slopes of g.
func newRelief(g *plane, sp geom.Spacing) *relief {
	r := &relief{rows: int(float64(g.rows) * g.k * sp.Y / borderMM), cols: int(float64(g.cols) * g.k * sp.X / borderMM)}
	v := make([]float64, r.rows*r.cols)
	for i := range r.rows {
		for j := range r.cols {
			sum, n := 0.0, 0.0
			for _, o := range subPixels {
				q := r.place(i, j).Add(geom.PointMM{X: o[1], Y: o[0]}.Mul(borderMM))
				if z, ok := g.at(q.X/sp.X, q.Y/sp.Y); ok {
					sum += z
					n++
				}
			}
			switch {
			case n > 0:
				v[i*r.cols+j] = sum / n
			case j > 0:
				v[i*r.cols+j] = v[i*r.cols+j-1]
			case i > 0:
				v[i*r.cols+j] = v[(i-1)*r.cols+j]
			}
		}
	}
	reach := int(math.Ceil(3 * borderBlur / borderMM))
	even, odd := make([]float64, 2*reach+1), make([]float64, 2*reach+1)
	sum, lean := 0.0, 0.0
	for d := -reach; d <= reach; d++ {
		u := float64(d) * borderMM / borderBlur
		even[d+reach] = math.Exp(-u * u / 2)
		odd[d+reach] = u * even[d+reach]
		sum += even[d+reach]
		lean += odd[d+reach] * float64(d) * borderMM
	}
	for k := range even {
		even[k], odd[k] = even[k]/sum, odd[k]/lean
	}
	r.dx = r.convolved(r.convolved(v, odd, 1), even, r.cols)
	r.dy = r.convolved(r.convolved(v, even, 1), odd, r.cols)
	return r
}

// convolved filters v along rows (step 1) or columns (step cols), its ends repeated.
func (r *relief) convolved(v, kernel []float64, step int) []float64 {
	out := make([]float64, len(v))
	half := len(kernel) / 2
	for i := range r.rows {
		for j := range r.cols {
			at, n := j, r.cols
			if step != 1 {
				at, n = i, r.rows
			}
			sum := 0.0
			for d, w := range kernel {
				sum += w * v[i*r.cols+j+(min(max(at+d-half, 0), n-1)-at)*step]
			}
			out[i*r.cols+j] = sum
		}
	}
	return out
}

// straight returns the likeliest straight edges (R. O. Duda, P. E. Hart, Commun.
// ACM 15 (1972) 11–15; each place votes for the direction of its slope only).
func (r *relief) straight() (out []border) {
	size := make([]float64, len(r.dx))
	for k := range size {
		size[k] = math.Hypot(r.dx[k], r.dy[k])
	}
	usual := ranked(append([]float64(nil), size...), len(size)*4/5) + 1e-9
	const turns, spread = 180, 3
	far := math.Hypot(float64(r.rows), float64(r.cols)) * borderMM
	width := 2*int(far/borderMM) + 3
	votes := make([]float64, turns*width)
	for i := 1; i < r.rows-1; i++ {
		for j := 1; j < r.cols-1; j++ {
			k := i*r.cols + j
			if size[k] < usual/4 {
				continue
			}
			q := r.place(i, j)
			n := geom.PointMM{X: r.dx[k], Y: r.dy[k]}.Unit()
			a, b := q.Add(n.Mul(borderMM)), q.Sub(n.Mul(borderMM))
			if s := math.Abs(r.slope(a, n)); s > size[k] {
				continue
			}
			if s := math.Abs(r.slope(b, n)); s > size[k] {
				continue
			}
			w := size[k] / (size[k] + usual)
			turn := int(math.Round(math.Atan2(n.Y, n.X)*180/math.Pi/borderTurn)) + 2*turns
			for d := -spread; d <= spread; d++ {
				t := (turn + d) % turns
				sn, cs := math.Sincos(float64(t) * borderTurn * math.Pi / 180)
				votes[t*width+int((q.X*cs+q.Y*sn+far)/borderMM)] += w
			}
		}
	}
	for range borderTries {
		best := 0
		for k, v := range votes {
			if v > votes[best] {
				best = k
			}
		}
		t, o := best/width, best%width
		sn, cs := math.Sincos(float64(t) * borderTurn * math.Pi / 180)
		n := geom.PointMM{X: cs, Y: sn}
		out = append(out, border{n.Mul((float64(o)+0.5)*borderMM - far), n})
		for d := -4; d <= 4; d++ {
			u, flip := t+d, false
			if u < 0 {
				u, flip = u+turns, true
			} else if u >= turns {
				u, flip = u-turns, true
			}
			c := o
			if flip {
				c = width - 1 - o
			}
			for e := -5; e <= 5; e++ {
				if c+e >= 0 && c+e < width {
					votes[u*width+c+e] = 0
				}
			}
		}
	}
	return out
}
