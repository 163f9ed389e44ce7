package simulate

import (
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// shadow is a surface projected on the detector: where the ray through a place
// enters and leaves it.
type shadow struct {
	tri []flat
	// Triangles by squares of binSize on the detector, which start at square
	// (x0, y0): those that touch square k are list[first[k]:first[k+1]], in order.
	x0, y0, nx, ny int
	first, list    []int32
}

const binSize = 2.0

// flat is a projected triangle. 1/(SID − Z) is linear on the detector.
type flat struct {
	a, b, c geom.PointMM
	depth   [3]float64 // 1/(SID − Z)
	area    float64    // twice, signed: positive where the ray leaves the solid or enters it, alike for all
}

func newShadow(beam Beam, place *placement, v []vec, tri [][3]int32) *shadow {
	s := &shadow{tri: make([]flat, len(tri))}
	at, depth := make([]geom.PointMM, len(v)), make([]float64, len(v))
	lo, hi := geom.PointMM{X: math.Inf(1), Y: math.Inf(1)}, geom.PointMM{X: math.Inf(-1), Y: math.Inf(-1)}
	for i, p := range v {
		w := place.world(p)
		at[i], depth[i] = beam.project(w), 1/(beam.SID-w[2])
		lo = geom.PointMM{X: min(lo.X, at[i].X), Y: min(lo.Y, at[i].Y)}
		hi = geom.PointMM{X: max(hi.X, at[i].X), Y: max(hi.Y, at[i].Y)}
	}
	s.x0, s.y0 = square(lo.X), square(lo.Y)
	s.nx, s.ny = square(hi.X)-s.x0+1, square(hi.Y)-s.y0+1
	s.first = make([]int32, s.nx*s.ny+1)
	for i, t := range tri {
		f := flat{a: at[t[0]], b: at[t[1]], c: at[t[2]], depth: [3]float64{depth[t[0]], depth[t[1]], depth[t[2]]}}
		f.area = f.b.Sub(f.a).Cross(f.c.Sub(f.a))
		s.tri[i] = f
		s.touched(&f, func(k int) { s.first[k+1]++ })
	}
	for k := range s.nx * s.ny {
		s.first[k+1] += s.first[k]
	}
	s.list = make([]int32, s.first[s.nx*s.ny])
	fill := slices.Clone(s.first)
	for i := range s.tri {
		s.touched(&s.tri[i], func(k int) { s.list[fill[k]] = int32(i); fill[k]++ })
	}
	return s
}

// square is the number of the square along one axis.
func square(x float64) int { return int(math.Floor(x / binSize)) }

// touched calls f with the squares that a triangle's box touches; a triangle
// without area has none.
func (s *shadow) touched(t *flat, f func(k int)) {
	if t.area == 0 {
		return
	}
	x0, x1 := square(min(t.a.X, t.b.X, t.c.X))-s.x0, square(max(t.a.X, t.b.X, t.c.X))-s.x0
	for y := square(min(t.a.Y, t.b.Y, t.c.Y)) - s.y0; y <= square(max(t.a.Y, t.b.Y, t.c.Y))-s.y0; y++ {
		for x := x0; x <= x1; x++ {
			f(y*s.nx + x)
		}
	}
}

// near returns the triangles that may shade p.
func (s *shadow) near(p geom.PointMM) []int32 {
	x, y := square(p.X)-s.x0, square(p.Y)-s.y0
	if x < 0 || y < 0 || x >= s.nx || y >= s.ny {
		return nil
	}
	k := y*s.nx + x
	return s.list[s.first[k]:s.first[k+1]]
}

// chord returns the length in mm of the ray through p inside the surface; where
// the surface is open along it, from its first to its last meeting.
func (s *shadow) chord(beam Beam, p geom.PointMM) float64 {
	inside, whole, closed := s.cross(beam, p)
	if !closed {
		return whole
	}
	return inside
}

// cross returns the length in mm of the ray through p inside the surface, that
// from its first to its last meeting, and whether the surface is closed along it.
func (s *shadow) cross(beam Beam, p geom.PointMM) (inside, whole float64, closed bool) {
	sum, sign := 0.0, 0
	first, last := math.Inf(1), math.Inf(-1)
	for _, i := range s.near(p) {
		f := &s.tri[i]
		a, b, c := f.a.Sub(p), f.b.Sub(p), f.c.Sub(p)
		nu, nv := b.Cross(c), c.Cross(a)
		if f.area > 0 && (nu < 0 || nv < 0) || f.area < 0 && (nu > 0 || nv > 0) {
			continue
		}
		u, v := nu/f.area, nv/f.area
		w := 1 - u - v
		if w < 0 {
			continue
		}
		z := beam.SID - 1/(u*f.depth[0]+v*f.depth[1]+w*f.depth[2])
		first, last = min(first, z), max(last, z)
		if f.area > 0 {
			sum += z
			sign++
		} else {
			sum -= z
			sign--
		}
	}
	if math.IsInf(first, 1) {
		return 0, 0, true
	}
	dx, dy := p.X-beam.X, p.Y-beam.Y
	slant := math.Sqrt(1 + (dx*dx+dy*dy)/(beam.SID*beam.SID))
	return math.Abs(sum) * slant, max(0, last-first) * slant, sign == 0
}

const (
	// patchedMM above the end of a mesh its surface may consist of patches that do
	// not meet; slitMM is the widest slit between them.
	patchedMM = 70.0
	slitMM    = 12.0
	// leastChord is the shortest chord in mm that is no slit.
	leastChord = 0.2
	// chordStep is the distance of the places of a chord map in mm.
	chordStep = 0.3
	// jointWall is the wall of a joint's bone over the cortex' thickness at the
	// isthmus.
	jointWall = 0.16
)

// chordMap holds the lengths of rays through a surface made of patches, from the
// first to the last meeting, on a part of the detector; slits are closed.
type chordMap struct {
	origin     geom.PointMM
	rows, cols int
	v          []float32
}

// chords maps the rectangle from lo to hi.
func (s *shadow) chords(beam Beam, lo, hi geom.PointMM) *chordMap {
	m := &chordMap{origin: lo, rows: int((hi.Y-lo.Y)/chordStep) + 2, cols: int((hi.X-lo.X)/chordStep) + 2}
	m.v = make([]float32, m.rows*m.cols)
	for i := range m.v {
		p := lo.Add(geom.PointMM{X: chordStep * float64(i%m.cols), Y: chordStep * float64(i/m.cols)})
		if _, whole, _ := s.cross(beam, p); whole > leastChord {
			m.v[i] = float32(whole)
		}
	}
	for c := range m.cols {
		m.close(c, m.cols, m.rows, slitMM)
	}
	for r := range m.rows {
		m.close(r*m.cols, 1, m.cols, slitMM/2)
	}
	return m
}

// close goes over linearly across the slits of at most widest mm in the line of n
// places from start on.
func (m *chordMap) close(start, step, n int, widest float64) {
	last := -1
	for k := range n {
		b := m.v[start+k*step]
		if b == 0 {
			continue
		}
		if last >= 0 && float64(k-last-1)*chordStep <= widest {
			a := m.v[start+last*step]
			for j := last + 1; j < k; j++ {
				m.v[start+j*step] = a + (b-a)*float32(j-last)/float32(k-last)
			}
		}
		last = k
	}
}

// at returns the chord at p, bilinear; 0 off the map.
func (m *chordMap) at(p geom.PointMM) float64 {
	p = p.Sub(m.origin).Mul(1 / chordStep)
	x, y := int(math.Floor(p.X)), int(math.Floor(p.Y))
	if x < 0 || y < 0 || x+1 >= m.cols || y+1 >= m.rows {
		return 0
	}
	fx, fy := p.X-float64(x), p.Y-float64(y)
	v := m.v[y*m.cols+x:]
	w := v[m.cols:]
	return (1-fy)*((1-fx)*float64(v[0])+fx*float64(v[1])) + fy*((1-fx)*float64(w[0])+fx*float64(w[1]))
}
