package simulate

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"shaftgauge/measure/geom"
)

// Mesh is the outer surface of a left femur as triangles, in the body frame.
type Mesh struct {
	Vertices  []vec
	Triangles [][3]int32
	Normals   []vec // unit, outward, of the vertices
	Head      vec   // centre of the head
	Length    float64

	centres []vec // of the sections, every meshStep from meshTop
}

const (
	meshStep = 2.0
	meshTop  = -60.0
)

// maxTriangles bounds what ReadSTL takes.
const maxTriangles = 2_000_000

// ReadSTL reads a binary STL of a left femur in mm whose axes are: X lateral, Y
// proximal, Z anterior. The lesser trochanter is found as the first bump of the
// medial outline above the shaft, the head as the sphere through the medial end.
func ReadSTL(r io.Reader) (*Mesh, error) {
	br := bufio.NewReader(r)
	var head struct {
		Text [80]byte
		N    uint32
	}
	if err := binary.Read(br, binary.LittleEndian, &head); err != nil {
		return nil, fmt.Errorf("simulate: read STL header: %w", err)
	}
	if head.N < 100 || head.N > maxTriangles {
		return nil, fmt.Errorf("simulate: STL of %d triangles", head.N)
	}
	m := &Mesh{}
	index := make(map[[3]int32]int32)
	for range head.N {
		var t struct {
			F [12]float32
			A uint16
		}
		if err := binary.Read(br, binary.LittleEndian, &t); err != nil {
			return nil, fmt.Errorf("simulate: read STL triangle: %w", err)
		}
		var tri [3]int32
		for k := range 3 {
			p := vec{float64(t.F[3+3*k]), float64(t.F[5+3*k]), -float64(t.F[4+3*k])}
			key := [3]int32{int32(math.Round(p[0] * 50)), int32(math.Round(p[1] * 50)), int32(math.Round(p[2] * 50))}
			i, ok := index[key]
			if !ok {
				i = int32(len(m.Vertices))
				index[key] = i
				m.Vertices = append(m.Vertices, p)
			}
			tri[k] = i
		}
		if tri[0] != tri[1] && tri[1] != tri[2] && tri[0] != tri[2] {
			m.Triangles = append(m.Triangles, tri)
		}
	}
	if err := m.orient(); err != nil {
		return nil, err
	}
	return m, nil
}

// orient moves the origin to the lesser trochanter's level and the shaft's axis
// and finds what else the mesh is asked for.
func (m *Mesh) orient() error {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range m.Vertices {
		lo, hi = min(lo, p[2]), max(hi, p[2])
	}
	m.Length = hi - lo
	// The most medial x by level, every 2 mm, from the shaft upwards.
	n := int(m.Length/meshStep) + 1
	medial := make([]float64, n)
	for i := range medial {
		medial[i] = math.Inf(1)
	}
	for _, p := range m.Vertices {
		i := int((p[2] - lo) / meshStep)
		medial[i] = min(medial[i], p[0])
	}
	level := -1
	for i, best := n*3/10, n*3/10; i > n/20; i-- {
		if medial[i] < medial[best] {
			best = i
		}
		if medial[i] > medial[best]+1 && !math.IsInf(medial[i], 1) {
			level = best
			if medial[min(best+12, n-1)] > medial[best]+3 {
				break
			}
			best = i
		}
	}
	if level < 0 {
		return fmt.Errorf("simulate: no lesser trochanter on the mesh")
	}
	z := lo + (float64(level)+0.5)*meshStep
	c := m.section(z+120, z+130)
	for i := range m.Vertices {
		m.Vertices[i] = m.Vertices[i].sub(vec{c[0], c[1], z})
	}
	m.Length = hi - z
	for z := meshTop; z < m.Length; z += meshStep {
		m.centres = append(m.centres, m.section(z-3, z+3))
	}
	for range 3 { // the centre line of the sections, smoothed
		s := append([]vec(nil), m.centres...)
		for i := 4; i < len(s)-4; i++ {
			var sum vec
			for k := -4; k <= 4; k++ {
				sum = sum.add(s[i+k])
			}
			m.centres[i] = sum.mul(1.0 / 9)
		}
	}
	m.normals()
	return m.fitHead()
}

// section returns the middle of the bounding box of the vertices with z from a
// to b.
func (m *Mesh) section(a, b float64) vec {
	lo, hi := vec{math.Inf(1), math.Inf(1), a}, vec{math.Inf(-1), math.Inf(-1), b}
	for _, p := range m.Vertices {
		if p[2] >= a && p[2] <= b {
			for k := range 2 {
				lo[k], hi[k] = min(lo[k], p[k]), max(hi[k], p[k])
			}
		}
	}
	return lo.add(hi).mul(0.5)
}

// Centre returns the middle of the section at z.
func (m *Mesh) Centre(z float64) (x, y float64) {
	// Above the lesser trochanter the line goes on straight.
	f := (max(z, 25) - meshTop) / meshStep
	i := max(0, min(int(f), len(m.centres)-2))
	f -= float64(i)
	a, b := m.centres[i], m.centres[i+1]
	x, y = a[0]+f*(b[0]-a[0]), a[1]+f*(b[1]-a[1])
	if z < 25 {
		c := m.centres[i+20]
		k := (25 - z) / (20 * meshStep)
		x, y = x-k*(c[0]-a[0]), y-k*(c[1]-a[1])
	}
	return x, y
}

func (m *Mesh) normals() {
	m.Normals = make([]vec, len(m.Vertices))
	for _, t := range m.Triangles {
		a, b, c := m.Vertices[t[0]], m.Vertices[t[1]], m.Vertices[t[2]]
		n := b.sub(a).cross(c.sub(a)) // its length is twice the area
		for _, i := range t {
			m.Normals[i] = m.Normals[i].add(n)
		}
	}
	for i, n := range m.Normals {
		if l := n.norm(); l > 0 {
			m.Normals[i] = n.mul(1 / l)
		}
	}
}

// fitHead fits a sphere to the medial end by algebraic least squares.
func (m *Mesh) fitHead() error {
	least := math.Inf(1)
	for _, p := range m.Vertices {
		if p[2] < 0 {
			least = min(least, p[0])
		}
	}
	var a [4][5]float64 // normal equations of 2c·p + k = |p|²
	for _, p := range m.Vertices {
		if p[2] < 0 && p[0] < least+24 {
			row := [5]float64{2 * p[0], 2 * p[1], 2 * p[2], 1, p.dot(p)}
			for i := range 4 {
				for j := range 5 {
					a[i][j] += row[i] * row[j]
				}
			}
		}
	}
	for i := range 4 {
		if a[i][i] == 0 {
			return fmt.Errorf("simulate: no head on the mesh")
		}
		for k := range 4 {
			if k != i {
				f := a[k][i] / a[i][i]
				for j := i; j < 5; j++ {
					a[k][j] -= f * a[i][j]
				}
			}
		}
	}
	m.Head = vec{a[0][4] / a[0][0], a[1][4] / a[1][1], a[2][4] / a[2][2]}
	return nil
}

// inset returns the vertices moved inwards by the cortex of a, plus by times
// the width of its soft transition, and smoothed.
func (m *Mesh) inset(a Anatomy, by float64) []vec {
	wall, soft := a.walls(), a.softness()
	out := make([]vec, len(m.Vertices))
	for i, p := range m.Vertices {
		n := m.Normals[i]
		var t float64
		for k, w := range wall {
			if c := [4]float64{n[0], -n[0], n[1], -n[1]}[k]; c > 0 {
				t += c * c * w.at(p[2])
			}
		}
		t /= max(0.25, n[0]*n[0]+n[1]*n[1])
		out[i] = p.sub(n.mul(max(0.4, t+by*a.Soft*soft.at(p[2]))))
	}
	// Laplacian smoothing rounds what the ridges leave.
	for range 6 {
		sum, count := make([]vec, len(out)), make([]float64, len(out))
		for _, t := range m.Triangles {
			for k := range 3 {
				i, j := t[k], t[(k+1)%3]
				sum[i], sum[j] = sum[i].add(out[j]), sum[j].add(out[i])
				count[i]++
				count[j]++
			}
		}
		for i := range out {
			if count[i] > 0 {
				out[i] = out[i].mul(0.5).add(sum[i].mul(0.5 / count[i]))
			}
		}
	}
	return out
}

// shadow is a surface projected on the detector: where the ray through a place
// enters and leaves it.
type shadow struct {
	tri  []flat
	bins map[[2]int16][]int32 // by squares of binSize on the detector
}

const binSize = 4.0

// flat is a projected triangle. 1/(SID − Z) is linear on the detector.
type flat struct {
	a, b, c geom.PointMM
	depth   [3]float64 // 1/(SID − Z)
	area    float64    // twice, signed: positive where the ray leaves the solid or enters it, alike for all
}

func newShadow(beam Beam, place *placement, v []vec, tri [][3]int32) *shadow {
	s := &shadow{tri: make([]flat, len(tri)), bins: make(map[[2]int16][]int32)}
	for i, t := range tri {
		var f flat
		var p [3]geom.PointMM
		for k := range 3 {
			w := place.world(v[t[k]])
			p[k] = beam.project(w)
			f.depth[k] = 1 / (beam.SID - w[2])
		}
		f.a, f.b, f.c = p[0], p[1], p[2]
		f.area = f.b.Sub(f.a).Cross(f.c.Sub(f.a))
		s.tri[i] = f
		lo := geom.PointMM{X: min(f.a.X, f.b.X, f.c.X), Y: min(f.a.Y, f.b.Y, f.c.Y)}
		hi := geom.PointMM{X: max(f.a.X, f.b.X, f.c.X), Y: max(f.a.Y, f.b.Y, f.c.Y)}
		for y := bin(lo.Y); y <= bin(hi.Y); y++ {
			for x := bin(lo.X); x <= bin(hi.X); x++ {
				s.bins[[2]int16{x, y}] = append(s.bins[[2]int16{x, y}], int32(i))
			}
		}
	}
	return s
}

func bin(x float64) int16 { return int16(math.Floor(x / binSize)) }

// chord returns the length in mm of the ray through p inside the surface; 0
// where the surface is open along it.
func (s *shadow) chord(beam Beam, p geom.PointMM) float64 {
	sum, sign := 0.0, 0
	for _, i := range s.bins[[2]int16{bin(p.X), bin(p.Y)}] {
		f := &s.tri[i]
		if f.area == 0 {
			continue
		}
		u := f.b.Sub(p).Cross(f.c.Sub(p)) / f.area
		v := f.c.Sub(p).Cross(f.a.Sub(p)) / f.area
		w := 1 - u - v
		if u < 0 || v < 0 || w < 0 {
			continue
		}
		z := beam.SID - 1/(u*f.depth[0]+v*f.depth[1]+w*f.depth[2])
		if f.area > 0 {
			sum += z
			sign++
		} else {
			sum -= z
			sign--
		}
	}
	if sign != 0 {
		return 0
	}
	dx, dy := p.X-beam.X, p.Y-beam.Y
	return math.Abs(sum) * math.Sqrt(1+(dx*dx+dy*dy)/(beam.SID*beam.SID))
}

// meshShells are the medullary surfaces that are averaged, as shares of the
// transition's width.
var meshShells = [...]float64{-0.33, 0, 0.33}

// stagedMesh is a mesh in its place.
type stagedMesh struct {
	*Mesh
	anatomy Anatomy
	beam    Beam
	place   *placement
	outer   *shadow
	inner   [len(meshShells)]*shadow
}

func (m *Mesh) stage(beam Beam, a Anatomy, place *placement) *stagedMesh {
	s := &stagedMesh{Mesh: m, anatomy: a, beam: beam, place: place, outer: newShadow(beam, place, m.Vertices, m.Triangles)}
	for i, by := range meshShells {
		s.inner[i] = newShadow(beam, place, m.inset(a, by), m.Triangles)
	}
	return s
}

// add lays the mesh's attenuation over the plane.
func (s *stagedMesh) add(out *plane, g grid, ph *Physics, tex *tile) {
	cancellous := s.anatomy.cancellous()
	rows(g.rows, func(r int) {
		for c := range g.cols {
			p := g.place(float64(c), float64(r))
			whole := s.outer.chord(s.beam, p)
			if whole <= 0 {
				continue
			}
			hollow := 0.0
			for _, in := range s.inner {
				hollow += in.chord(s.beam, p) / float64(len(s.inner))
			}
			hollow = min(hollow, whole)
			w := vec{p.X, p.Y, 0}
			m := s.place.body(w.add(s.beam.source().sub(w).mul(s.place.at[2] / s.beam.SID)))
			n := tex.at((m[0]+0.7*m[1])/ph.TextureScale, m[2]/(2.2*ph.TextureScale))
			out.v[r*g.cols+c] += float32(ph.Cortical*(whole-hollow) + ph.Cancellous*cancellous.at(m[2])*hollow*(1+ph.Texture*n))
		}
	})
}

// profile of a mesh's shaft.
func (s *stagedMesh) profile() profile {
	outer := func(p geom.PointMM) bool { return s.outer.chord(s.beam, p) > 0 }
	return profile{outer: outer, whole: outer, centre: s.Centre, flareZ: s.anatomy.FlareAt * s.anatomy.Length,
		inner: func(p geom.PointMM) bool { return s.inner[len(meshShells)/2].chord(s.beam, p) > 0 }}
}

// trochanter returns the projected tip of the lesser trochanter: the vertex near
// its level that lies farthest to the negative side.
func (s *stagedMesh) trochanter(mid []outline) geom.PointMM {
	var at outline
	for _, q := range mid {
		if abs(q.z) < 1 {
			at = q
		}
	}
	best, far := geom.PointMM{}, math.Inf(1)
	for _, p := range s.Vertices {
		if abs(p[2]) < 8 {
			q := s.beam.project(s.place.world(p))
			if d := q.Sub(at.centre).Dot(at.positive); d < far {
				best, far = q, d
			}
		}
	}
	return best
}

// Fit returns a with the lengths that belong to the mesh.
func (m *Mesh) Fit(a Anatomy) Anatomy {
	a.Length = m.Length
	a.Girth = 1
	return a
}

// WithMesh returns s with the mesh in place of its first femur, mirrored for a
// right leg, and without what is below the knee.
func (s Scene) WithMesh(m *Mesh) Scene {
	s.Legs = append([]Leg(nil), s.Legs...)
	l := &s.Legs[0]
	l.Mesh, l.Anatomy, l.Lower = m, m.Fit(l.Anatomy), false
	l.Pose.Pivot[0], l.Pose.Pivot[1] = m.Centre(l.Pose.Pivot[2])
	return s
}
