package simulate

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"sync"

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
	ring    ring  // who lies next to whom, alike for all shapes of a surface
}

// ring lists the neighbours of vertices: those that an edge of a triangle leads
// to, once for every triangle.
type ring struct{ first, next []int32 }

func newRing(vertices int, tri [][3]int32) ring {
	r := ring{first: make([]int32, vertices+1), next: make([]int32, 6*len(tri))}
	for _, t := range tri {
		for _, i := range t {
			r.first[i+1] += 2
		}
	}
	for i := range vertices {
		r.first[i+1] += r.first[i]
	}
	fill := append([]int32(nil), r.first...)
	put := func(i, j int32) { r.next[fill[i]] = j; fill[i]++ }
	for _, t := range tri {
		for k := range 3 {
			i, j := t[k], t[(k+1)%3]
			put(i, j)
			put(j, i)
		}
	}
	return r
}

func (r *ring) of(i int) []int32 { return r.next[r.first[i]:r.first[i+1]] }

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
	m.ring = newRing(len(m.Vertices), m.Triangles)
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
	m.settle(vec{c[0], c[1], z})
	return m.fitHead()
}

// settle moves the origin of the body frame and finds length, centre line and
// normals.
func (m *Mesh) settle(origin vec) {
	m.Length, m.centres = 0, nil
	for i := range m.Vertices {
		m.Vertices[i] = m.Vertices[i].sub(origin)
	}
	for _, p := range m.Vertices {
		m.Length = max(m.Length, p[2])
	}
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
	before := make([]vec, len(out))
	for range 6 {
		copy(before, out)
		for i := range out {
			near := m.ring.of(i)
			if len(near) == 0 {
				continue
			}
			var sum vec
			for _, j := range near {
				sum = sum.add(before[j])
			}
			out[i] = before[i].mul(0.5).add(sum.mul(0.5 / float64(len(near))))
		}
	}
	return out
}

// meshShells are the medullary surfaces that are averaged, as shares of the
// transition's width.
var meshShells = [...]float64{-0.33, 0, 0.33}

// stagedMesh is a mesh in its place. What not every picture needs is made when
// it is first asked for.
type stagedMesh struct {
	*Mesh
	anatomy Anatomy
	beam    Beam
	place   *placement
	outer   *shadow
	inner   func() *[len(meshShells)]*shadow
	end     [2]geom.PointMM  // corners of the part of the detector that the distal end is projected on
	joint   func() *chordMap // of outer there

	head  func() (geom.Circle, bool) // the outline of the head
	waist func() waist
}

func (m *Mesh) stage(beam Beam, a Anatomy, place *placement) *stagedMesh {
	s := &stagedMesh{Mesh: m, anatomy: a, beam: beam, place: place, outer: newShadow(beam, place, m.Vertices, m.Triangles)}
	s.inner = sync.OnceValue(func() *[len(meshShells)]*shadow {
		var in [len(meshShells)]*shadow
		for i, by := range meshShells {
			in[i] = newShadow(beam, place, m.inset(a, by), m.Triangles)
		}
		return &in
	})
	lo, hi := geom.PointMM{X: math.Inf(1), Y: math.Inf(1)}, geom.PointMM{X: math.Inf(-1), Y: math.Inf(-1)}
	for _, p := range m.Vertices {
		if p[2] > m.Length-patchedMM-10 {
			q := beam.project(place.world(p))
			lo, hi = geom.PointMM{X: min(lo.X, q.X), Y: min(lo.Y, q.Y)}, geom.PointMM{X: max(hi.X, q.X), Y: max(hi.Y, q.Y)}
		}
	}
	s.end = [2]geom.PointMM{lo.Sub(geom.PointMM{X: 1, Y: 1}), hi}
	s.joint = sync.OnceValue(func() *chordMap { return s.outer.chords(beam, s.end[0], s.end[1]) })
	s.head, s.waist = sync.OnceValues(s.findHead), sync.OnceValue(s.findWaist)
	return s
}

// add lays the mesh's attenuation over the plane.
func (s *stagedMesh) add(out *plane, g grid, ph *Physics, tex *tile) {
	s.trace(g, ph, tex, func(i int, cortical, cancellous float64) {
		out.v[i] += float32(ph.Cortical*cortical + ph.Cancellous*cancellous)
	})
}

// trace calls put for every pixel of the mesh, by its place in g, with the mm in
// cortical bone and those in cancellous bone, weighted with its density.
func (s *stagedMesh) trace(g grid, ph *Physics, tex *tile, put func(i int, cortical, cancellous float64)) {
	cancellous := s.anatomy.cancellous()
	wall := 2 * jointWall * s.anatomy.Thickness
	inner := s.inner()
	rows(g.rows, func(r int) {
		for c := range g.cols {
			p := g.place(float64(c), float64(r))
			if len(s.outer.near(p)) == 0 && !s.atEnd(p) {
				continue
			}
			w := vec{p.X, p.Y, 0}
			m := s.place.body(w.add(s.beam.source().sub(w).mul(s.place.at[2] / s.beam.SID)))
			fromEnd := s.Length - m[2]
			whole, first, closed := s.outer.cross(s.beam, p)
			if !closed || fromEnd < patchedMM {
				whole = first
			}
			if fromEnd < patchedMM && whole < leastChord {
				whole = s.joint().at(p)
			}
			if whole <= 0 {
				continue
			}
			hollow := 0.0
			for _, in := range inner {
				h, _, closed := in.cross(s.beam, p)
				if !closed {
					h = whole - wall
				}
				hollow += max(0, min(whole, h)) / float64(len(inner))
			}
			if fromEnd < patchedMM {
				// Towards the end, a thin wall all around.
				least := whole
				for _, o := range [4]geom.PointMM{{X: wall / 2}, {X: -wall / 2}, {Y: wall / 2}, {Y: -wall / 2}} {
					least = min(least, s.joint().at(p.Add(o)))
				}
				f := smooth((patchedMM - fromEnd) / 20)
				hollow += f * (max(0, least-wall) - hollow)
			}
			n := tex.at((m[0]+0.7*m[1])/ph.TextureScale, m[2]/(2.2*ph.TextureScale))
			put(r*g.cols+c, whole-hollow, cancellous.at(m[2])*hollow*(1+ph.Texture*n))
		}
	})
}

// atEnd says whether p lies where the distal end is projected.
func (s *stagedMesh) atEnd(p geom.PointMM) bool {
	return p.X > s.end[0].X-1 && p.Y > s.end[0].Y-1 && p.X < s.end[1].X+1 && p.Y < s.end[1].Y+1
}

// profile of a mesh's shaft.
func (s *stagedMesh) profile() profile {
	outer := func(p geom.PointMM) bool { return s.outer.chord(s.beam, p) > 0 }
	return profile{outer: outer, whole: outer, centre: s.Centre, flareZ: s.anatomy.FlareAt * s.anatomy.Length,
		inner: func(p geom.PointMM) bool { return s.inner()[len(meshShells)/2].chord(s.beam, p) > 0 }}
}

// trochanter returns the projected tip of the lesser trochanter: of the summits
// of the outline on the negative side that stand 1 mm above both their feet, the
// one nearest to the mesh's own level; where none does, the outline at that level.
func (s *stagedMesh) trochanter(mid []outline) geom.PointMM {
	const reach, fall = 20, 1.0
	at := nearLevel(mid, 0)
	var rim [2*reach + 1]geom.PointMM // every mm from reach below to reach above
	var far [len(rim)]float64
	for i := range far {
		far[i] = math.Inf(-1)
	}
	for _, t := range s.Triangles {
		for k := range t { // where its edges meet the levels
			a, b := s.Vertices[t[k]], s.Vertices[t[(k+1)%3]]
			lo, hi := min(a[2], b[2]), max(a[2], b[2])
			for i := max(0, int(math.Ceil(reach-hi))); i < len(rim) && reach-float64(i) > lo; i++ {
				q := s.beam.project(s.place.world(a.add(b.sub(a).mul((reach - float64(i) - a[2]) / (b[2] - a[2])))))
				if d := -q.Sub(at.centre).Dot(at.positive); d > far[i] {
					rim[i], far[i] = q, d
				}
			}
		}
	}
	// foot is the lowest place from i on before a higher one.
	foot := func(i, step int) float64 {
		least := far[i]
		for j := i + step; j >= 0 && j < len(far) && far[j] <= far[i]; j += step {
			least = min(least, far[j])
		}
		return least
	}
	for off := range reach {
		for _, i := range [2]int{reach - off, reach + off} {
			if max(foot(i, 1), foot(i, -1)) <= far[i]-fall {
				return rim[i]
			}
		}
	}
	return rim[reach]
}

// Fit returns a with the lengths that belong to the mesh.
func (m *Mesh) Fit(a Anatomy) Anatomy {
	a.Length = m.Length
	a.Girth = 1
	return a
}

// WithMesh returns s with the mesh in place of its first femur, mirrored for a
// right leg.
func (s Scene) WithMesh(m *Mesh) Scene {
	s.Legs = append([]Leg(nil), s.Legs...)
	l := &s.Legs[0]
	l.Mesh, l.Anatomy = m, m.Fit(l.Anatomy)
	l.Pose.Pivot[0], l.Pose.Pivot[1] = m.Centre(l.Pose.Pivot[2])
	return s
}
