package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

// frame lays the reference line; false where the strip would not fit.
func (j *stripJob) frame(middle float64) bool {
	const step = 2.0
	line := &polarLine{}
	var zs []float64
	project := func(z float64) geom.PointMM {
		x, y := j.leg.centreAt(j.p, z)
		return j.Beam.project(j.leg.place.world(vec{x, y, z}))
	}
	side := j.towards(middle)
	surface, reach := j.p.bareOut, 60.0
	if j.chance(0.35) { // a line that was found follows what stands out of it
		surface, reach = j.p.out, j.even(25, 60)
	}
	var mid []geom.PointMM
	var half []float64
	for z := j.p.z0 + 3; z < j.p.z(j.p.n-1)-3; z += step {
		c := project(z)
		down := project(z + 2.5).Sub(project(z - 2.5)).Unit()
		n := geom.PointMM{X: -down.Y, Y: down.X}
		if n.Dot(side) < 0 {
			n = n.Mul(-1)
		}
		s := newSection(&j.leg.place, j.Beam, c.X, c.Y, n.X, n.Y)
		s.cut(j.p, surface, []float64{0}, line.ring[:1])
		lo, hi := line.ring[0].edges()
		mid = append(mid, c.Add(n.Mul((lo+hi)/2)))
		half = append(half, (hi-lo)/2)
		zs = append(zs, z)
	}
	if len(mid) < 40 {
		return false
	}
	// The mid-line as a detector has it, smoothed, every mm of the film.
	smoothed := func(v []geom.PointMM, m int) []geom.PointMM {
		out := make([]geom.PointMM, len(v))
		for i := range v {
			k := min(m, i, len(v)-1-i)
			var s geom.PointMM
			for _, q := range v[i-k : i+k+1] {
				s = s.Add(q)
			}
			out[i] = s.Mul(1 / float64(2*k+1))
		}
		return out
	}
	mid = smoothed(smoothed(mid, 4), 3)
	arc := make([]float64, len(mid))
	for i := 1; i < len(mid); i++ {
		arc[i] = arc[i-1] + mid[i].Sub(mid[i-1]).Norm()/j.unit
	}
	width := localQuadratic(arc, half, reach)
	tilt := j.even(-0.015, 0.015)
	offset, slope, bend := j.even(-1.5, 1.5), j.even(-0.01, 0.01), j.even(-0.6, 0.6)
	if j.chance(0.3) {
		offset, slope, bend = 0.3*offset, 0.3*slope, 0.3*bend
	}
	at, k := 0.0, 0
	j.middle = -1
	for s := 0.0; s < arc[len(arc)-1]; s++ {
		for k < len(arc)-2 && arc[k+1] < s {
			k++
		}
		f := (s - arc[k]) / (arc[k+1] - arc[k])
		m := mid[k].Add(mid[k+1].Sub(mid[k]).Mul(f))
		down := mid[min(k+3, len(mid)-1)].Sub(mid[max(k-2, 0)]).Unit()
		n := geom.PointMM{X: -down.Y, Y: down.X}
		if n.Dot(side) < 0 {
			n = n.Mul(-1)
		}
		z := zs[k] + f*step
		if j.middle < 0 && z >= middle {
			j.middle = float64(len(j.ref))
			at = s
		}
		j.ref = append(j.ref, m.Add(n.Mul(width[k]+f*(width[k+1]-width[k]))))
		j.out = append(j.out, n)
	}
	if j.middle < 0 {
		return false
	}
	for i := range j.ref {
		u := (float64(i) - at) / 64
		u = max(-1.6, min(1.6, u))
		n := j.out[i]
		j.ref[i] = j.ref[i].Add(n.Mul(j.unit * (offset + 64*slope*u + bend*(u*u-0.4))))
		j.out[i] = n.Add(geom.PointMM{X: -n.Y, Y: n.X}.Mul(tilt)).Unit()
	}
	return true
}

// polarLine holds the loops of one section.
type polarLine struct{ ring [7]loop }

// towards is the way to the strip's side on the detector.
func (j *stripJob) towards(z float64) geom.PointMM {
	x, y := j.leg.centreAt(j.p, z)
	w := vec{x, y, z}
	sn, cs := sincosDeg(j.side)
	return j.Beam.project(j.leg.place.world(w.add(vec{cs, sn, 0}))).Sub(j.Beam.project(j.leg.place.world(w)))
}

// localQuadratic smooths v at the places s by parabolas fitted to what lies
// within reach.
func localQuadratic(s, v []float64, reach float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		var m [5]float64
		var b [3]float64
		for k := range v {
			d := (s[k] - s[i]) / reach
			if abs(d) > 1 {
				continue
			}
			w := 1 - d*d*d*d
			q := w
			for e := range m {
				m[e] += q
				if e < 3 {
					b[e] += q * v[k]
				}
				q *= d
			}
		}
		// Cramer's rule for the value at d = 0.
		det := m[0]*(m[2]*m[4]-m[3]*m[3]) - m[1]*(m[1]*m[4]-m[3]*m[2]) + m[2]*(m[1]*m[3]-m[2]*m[2])
		if abs(det) < 1e-9 {
			out[i] = v[i]
			continue
		}
		out[i] = (b[0]*(m[2]*m[4]-m[3]*m[3]) - m[1]*(b[1]*m[4]-m[3]*b[2]) + m[2]*(b[1]*m[3]-m[2]*b[2])) / det
	}
	return out
}

// rowAt returns the line of the strip's row: its place at column 0, the unit
// vector medially. row may lie beyond the strip.
func (j *stripJob) rowAt(row float64) (p, a geom.PointMM) {
	f := j.middle + (row-(StripRows-1)/2.0)*StripDown
	n := len(j.ref)
	i := max(0, min(int(math.Floor(f)), n-2))
	f -= float64(i)
	p = j.ref[i].Add(j.ref[i+1].Sub(j.ref[i]).Mul(f)) // straight on beyond the ends
	f = max(0, min(1, f))
	a = j.out[i].Add(j.out[i+1].Sub(j.out[i]).Mul(f)).Unit()
	return p.Add(a.Mul(StripLine * StripAcross * j.unit)), a.Mul(-1)
}
