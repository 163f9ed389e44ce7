package simulate

import (
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"shaftgauge/measure/geom"
)

// prop is something that is no femur. All but bones are in the world.
type prop struct {
	bones []*bone
	pose  Pose
	shell []shell
	soft  []quadric
	gas   []quadric
	ribs  []rib
}

// rib is a thin curved bone given by its course on the detector.
type rib struct {
	course       []geom.PointMM
	radius, wall float64
}

// path returns the length in the rib's wall and inside of it at p.
func (b *rib) path(p geom.PointMM) (wall, hollow float64) {
	least := math.Inf(1)
	for i := 1; i < len(b.course); i++ {
		a, d := b.course[i-1], b.course[i].Sub(b.course[i-1])
		q := p.Sub(a)
		t := max(0, min(1, q.Dot(d)/d.Dot(d)))
		q = q.Sub(d.Mul(t))
		least = min(least, q.Dot(q))
	}
	chord := func(r float64) float64 { return 2 * math.Sqrt(max(0, r*r-least)) }
	hollow = chord(b.radius - b.wall)
	return chord(b.radius) - hollow, hollow
}

// stage is a scene made ready to be traced.
type stage struct {
	*Scene
	legs  []stagedLeg
	bones []stagedBone
	shell []shell
	soft  []quadric // soft tissue in the world
	gas   []quadric
	ribs  []rib
	field window
}

type stagedLeg struct {
	*Leg
	place        placement
	femur        *bone       // nil for a bare leg and for a mesh
	mesh         *stagedMesh // nil for others
	skin, muscle tube
}

type stagedBone struct {
	*bone
	place *placement
}

// stage builds the surfaces of s.
func (s *Scene) stage() *stage {
	t := &stage{Scene: s, legs: make([]stagedLeg, len(s.Legs)), field: s.Field.window()}
	var heads []vec
	for i := range s.Legs {
		leg := &s.Legs[i]
		l := &t.legs[i]
		l.Leg, l.place = leg, leg.Pose.placement()
		l.skin, l.muscle = leg.Thigh.build(leg.Anatomy)
		if leg.Bare {
			continue
		}
		if leg.Mesh != nil {
			l.mesh = leg.Mesh.stage(s.Beam, leg.Anatomy, &l.place)
			if leg.Lower {
				t.lower(leg.Anatomy, leg.Mesh.knee(), &l.place)
			}
			heads = append(heads, l.place.world(leg.Mesh.Head))
			continue
		}
		l.femur = leg.Anatomy.build()
		if leg.Implant != "" {
			l.femur.fit(leg.Implant, leg.Anatomy)
		}
		below := &l.place // where what is beyond a fracture lies
		if leg.Break != nil {
			p, d := l.femur.parts(leg.Break.Z)
			place := leg.Break.moved(leg.Pose).placement()
			below = &place
			t.bones = append(t.bones, stagedBone{p, &l.place}, stagedBone{d, below})
		} else {
			t.bones = append(t.bones, stagedBone{l.femur, &l.place})
		}
		if leg.Lower {
			t.lower(leg.Anatomy, leg.Anatomy.knee(), below)
		}
		heads = append(heads, l.place.world(l.femur.solids[l.femur.head].outer.c))
	}
	if s.Pelvis.Shown && len(heads) > 0 {
		t.pelvis(heads)
	}
	for i := range s.Other {
		p := &s.Other[i]
		place := p.pose.placement()
		for _, b := range p.bones {
			t.bones = append(t.bones, stagedBone{b, &place})
		}
		t.shell = append(t.shell, p.shell...)
		t.soft = append(t.soft, p.soft...)
		t.gas = append(t.gas, p.gas...)
		t.ribs = append(t.ribs, p.ribs...)
	}
	return t
}

// pelvis places the pelvis on the heads of the femurs.
func (t *stage) pelvis(heads []vec) {
	lat := t.Legs[0].View == "LAT"
	var middle, f vec
	k := t.Legs[0].Anatomy.HeadRadius / 24
	for i, h := range heads {
		m := medial(t.Legs[i].Pose.Side)
		f = vec{0, 1, 0}
		if lat {
			// Seen from the side: medial is along the beam.
			m = vec{0, 0, 1}
			if t.Legs[i].Pose.Turn < 0 {
				m = vec{0, 0, -1}
			}
		}
		sn, cs := sincosDeg(t.Legs[i].Pose.Slant * 0.6)
		f = vec{-sn, cs, 0}
		if !lat {
			m = vec{m[0] * cs, m[0] * sn, 0}
		}
		if r := t.Legs[i].Anatomy.HeadRadius; t.Pelvis.Sockets == 0 {
			t.shell = append(t.shell, hemipelvis(h, m, f, r, nil)...)
		} else {
			rng := rand.New(rand.NewPCG(t.Pelvis.Sockets, uint64(i)))
			t.shell = append(t.shell, hemipelvis(h, m, f, r, rng)[1:]...)
			t.shell = append(t.shell, newHipFrame(h, m, f, r).socket(rng)...)
		}
		middle = h.add(m.mul(92 * k))
	}
	m := medial(t.Legs[0].Pose.Side)
	t.shell = append(t.shell, sacrum(middle.sub(f.mul(75*k)), m, f, k)...)
	w := t.Pelvis.Trunk
	deep := vec{w, 190, 0.62 * w}
	t.soft = append(t.soft, ellipsoid(middle.sub(f.mul(110)), mat{m, f, m.cross(f)}, deep))
	for _, g := range t.Pelvis.Gas {
		t.gas = append(t.gas, ellipsoid(middle.add(m.mul(-g.C[0])).add(f.mul(g.C[1])).add(vec{0, 0, g.C[2]}), mat{m, f, m.cross(f)}, g.R))
	}
}

// plane is a picture of float32 on a grid.
type plane struct {
	rows, cols int
	v          []float32
}

func newPlane(rows, cols int) *plane { return &plane{rows, cols, make([]float32, rows*cols)} }

// rows calls f for every row, on all processors.
func rows(n int, f func(r int)) {
	workers := min(runtime.GOMAXPROCS(0), n)
	if workers < 2 || n < 600 { // small pictures are made many at a time by the caller
		for r := range n {
			f(r)
		}
		return
	}
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			for r := w; r < n; r += workers {
				f(r)
			}
		})
	}
	wg.Wait()
}

// softTissue returns the attenuation of thighs and trunk on the grid g.
func (t *stage) softTissue(g grid) *plane {
	out := newPlane(g.rows, g.cols)
	tex := texture(t.Physics.TextureSeed >> 8)
	ph := t.Physics
	src := t.Beam.source()
	shut := t.field.shut - 3*g.step()
	rows(g.rows, func(r int) {
		var skin, muscle [12]interval
		for c := range g.cols {
			p := g.place(float64(c), float64(r))
			if t.field.depth(p) < shut {
				continue
			}
			w := vec{p.X, p.Y, 0}
			ray := src.sub(w)
			dist := ray.norm()
			d := ray.mul(1 / dist)
			n, m := 0, 0
			for i := range t.legs {
				l := &t.legs[i]
				o, e := l.place.body(w), l.place.inverse.mul(d)
				near := l.place.at[2] * dist / t.Beam.SID
				if v, hit := l.skin.cross(o, e, near); hit && n < len(skin) {
					skin[n] = v.interval
					n++
					if v, hit := l.muscle.cross(o, e, near); hit {
						muscle[m] = v.interval
						m++
					}
				}
			}
			for i := range t.soft {
				if v, _, hit := t.soft[i].cross(w, d); hit && n < len(skin) {
					v.a = max(v.a, 0)
					skin[n], muscle[m] = v, v
					n++
					m++
				}
			}
			whole, lean := union(skin[:n]), union(muscle[:m])
			// Muscle bellies and planes: irregular at 40 and at 12 mm.
			uneven := (tex.at(p.X/9+31, p.Y/14) + 0.5*tex.at(p.X/3, p.Y/5+77)) * ph.Mottle * min(1, lean/60)
			out.v[r*g.cols+c] = float32(ph.Soft*(lean+uneven) + ph.Fat*max(0, whole-lean))
		}
	})
	return out
}

// overlaps returns the attenuation of pelvis, bowel gas and folds on the grid g:
// what lies over the femur and has edges.
func (t *stage) overlaps(g grid) *plane {
	out := newPlane(g.rows, g.cols)
	ph := t.Physics
	src := t.Beam.source()
	shut := t.field.shut - 3*g.step()
	density := t.Pelvis.Density
	if !t.Pelvis.Shown {
		density = 1
	}
	rows(g.rows, func(r int) {
		for c := range g.cols {
			p := g.place(float64(c), float64(r))
			if t.field.depth(p) < shut {
				continue
			}
			mu := 0.0
			if len(t.gas)+len(t.shell) > 0 {
				w := vec{p.X, p.Y, 0}
				d := src.sub(w).unit()
				for i := range t.gas {
					if v, _, hit := t.gas[i].cross(w, d); hit {
						mu -= ph.Soft * (v.b - v.a)
					}
				}
				for i := range t.shell {
					wall, hollow := t.shell[i].chord(w, d)
					mu += density * (ph.Cortical*wall + ph.Cancellous*hollow)
				}
			}
			for i := range t.ribs {
				wall, hollow := t.ribs[i].path(p)
				mu += ph.Cortical*wall + ph.Cancellous*hollow
			}
			for _, f := range t.Folds {
				mu += ph.Soft * f.path(p)
			}
			out.v[r*g.cols+c] = float32(mu)
		}
	})
	return out
}

// layer is a plane on a coarser grid, read bilinearly at the pixels of a finer.
type layer struct {
	*plane
	kx, ky float64
}

func newLayer(g grid, step float64, make func(grid) *plane) layer {
	c := g.coarsened(step)
	return layer{make(c).gaussian(0.6, 0.6), g.dx.Norm() / c.dx.Norm(), g.dy.Norm() / c.dy.Norm()}
}

// addRow adds row r of the finer grid to line.
func (l layer) addRow(line []float32, r int) {
	fy := 2 + float64(r)*l.ky
	iy := int(fy)
	ty := float32(fy - float64(iy))
	for c := range line {
		fx := 2 + float64(c)*l.kx
		ix := int(fx)
		tx := float32(fx - float64(ix))
		a := l.v[iy*l.cols+ix : iy*l.cols+ix+2]
		b := l.v[(iy+1)*l.cols+ix : (iy+1)*l.cols+ix+2]
		line[c] += (1-ty)*((1-tx)*a[0]+tx*a[1]) + ty*((1-tx)*b[0]+tx*b[1])
	}
}

// path returns the mm of soft tissue that the fold adds at p.
func (f Fold) path(p geom.PointMM) float64 {
	d := f.B.Sub(f.A)
	l := d.Norm()
	u := d.Mul(1 / l)
	s := p.Sub(f.A).Dot(u) / l
	if s < -0.1 || s > 1.1 {
		return 0
	}
	n := u.Cross(p.Sub(f.A)) - f.Sag*4*s*(1-s)
	fade := smooth(s/0.15+0.5) * smooth((1-s)/0.15+0.5)
	v := f.Step*smooth(n/4+0.5)*math.Exp(-math.Max(n, 0)/40) - 0.5*f.Step*math.Exp(-n*n/(2*f.Width*f.Width))
	return v * fade
}

// exposure renders the attenuation of the scene on the grid g.
func (t *stage) exposure(g grid) *plane {
	pitch := g.step()
	// A small picture gets by with coarser layers.
	layers := []layer{newLayer(g, max(1.5, 4*pitch), t.softTissue)}
	if len(t.gas)+len(t.shell)+len(t.ribs)+len(t.Folds) > 0 {
		layers = append(layers, newLayer(g, max(0.6, 2*pitch), t.overlaps))
	}
	out := newPlane(g.rows, g.cols)
	ph := t.Physics
	tex := texture(ph.TextureSeed)
	for i := range t.legs {
		if m := t.legs[i].mesh; m != nil {
			m.add(out, g, &ph, tex)
		}
	}
	reach := make([]footprint, len(t.bones))
	for i := range t.bones {
		reach[i] = t.footprint(&t.bones[i], g)
	}
	rows(g.rows, func(r int) {
		line := out.v[r*g.cols : (r+1)*g.cols]
		for _, l := range layers {
			l.addRow(line, r)
		}
		for c := range line {
			line[c] = max(line[c], 0)
		}
		for i := range t.bones {
			b := &t.bones[i]
			lo, hi := reach[i].at(r)
			for c := lo; c < hi; c++ {
				p := g.place(float64(c), float64(r))
				if t.field.depth(p) < t.field.shut {
					continue
				}
				cort, canc, metal := t.through(b, p, pitch, tex)
				line[c] += float32(ph.Cortical*cort + ph.Cancellous*canc + ph.Metal*metal)
			}
		}
		for _, m := range t.Metal {
			m.add(line, g, r)
		}
	})
	return out
}

// through returns the mm that the ray through p is in cortical bone, in cancellous
// bone, weighted with its density, and in metal.
func (t *stage) through(b *stagedBone, p geom.PointMM, pitch float64, tex *tile) (cortical, cancellous, metal float64) {
	w := vec{p.X, p.Y, 0}
	ray := t.Beam.source().sub(w)
	dist := ray.norm()
	d := b.place.inverse.mul(ray.mul(1 / dist))
	o := b.place.body(w)
	near := b.place.at[2] * dist / t.Beam.SID
	cortical, cancellous, metal = b.trace(o, d, near, pitch)
	if cancellous > 0 {
		m, ph := o.at(near, d), &t.Physics
		cancellous *= 1 + ph.Texture*tex.at((m[0]+0.7*m[1])/ph.TextureScale, m[2]/(2.2*ph.TextureScale))
	}
	return cortical, cancellous, metal
}

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

// add lays the metal over a row.
func (m Metal) add(line []float32, g grid, r int) {
	d := m.B.Sub(m.A)
	l := d.Norm()
	for c := range line {
		p := g.place(float64(c), float64(r)).Sub(m.A)
		if abs(p.X) > l+m.Radius+1 || abs(p.Y) > l+m.Radius+1 {
			continue
		}
		q := p
		if l > 0 {
			s := max(0, min(1, p.Dot(d)/(l*l)))
			q = p.Sub(d.Mul(s))
		}
		if h := m.Radius*m.Radius - q.Dot(q); h > 0 {
			line[c] += float32(2 * m.Mean * math.Sqrt(h))
		}
	}
}

// tile is periodic noise of zero mean and unit variance.
type tile struct{ v []float32 }

const tileSize = 256

var (
	tiles    [8]*tile
	tileOnce [8]sync.Once
)

// texture returns one of a few noise tiles.
func texture(seed uint64) *tile {
	k := seed % uint64(len(tiles))
	tileOnce[k].Do(func() { tiles[k] = newTile(k) })
	return tiles[k]
}

func newTile(seed uint64) *tile {
	n := tileSize
	a := make([]float32, n*n)
	for i := range a {
		a[i] = gauss(seed<<32 + uint64(i))
	}
	// Two octaves of white noise made smooth along both axes, wrapped around.
	b := append([]float32(nil), a...)
	blur := func(v []float32, m int) {
		tmp := make([]float32, len(v))
		for y := range n {
			for x := range n {
				var s float32
				for k := -m; k <= m; k++ {
					s += v[y*n+(x+k+n)%n]
				}
				tmp[y*n+x] = s
			}
		}
		for y := range n {
			for x := range n {
				var s float32
				for k := -m; k <= m; k++ {
					s += tmp[(y+k+n)%n*n+x]
				}
				v[y*n+x] = s
			}
		}
	}
	blur(a, 1)
	blur(b, 4)
	norm := func(v []float32) {
		var s float64
		for _, x := range v {
			s += float64(x) * float64(x)
		}
		k := float32(1 / math.Sqrt(s/float64(len(v))))
		for i := range v {
			v[i] *= k
		}
	}
	norm(a)
	norm(b)
	for i := range a {
		a[i] += 0.8 * b[i]
	}
	norm(a)
	return &tile{a}
}

// at reads the tile at (x, y), bilinearly and periodically.
func (t *tile) at(x, y float64) float64 {
	fx, fy := math.Floor(x), math.Floor(y)
	ix, iy := int(fx)&(tileSize-1), int(fy)&(tileSize-1)
	jx, jy := (ix+1)&(tileSize-1), (iy+1)&(tileSize-1)
	x, y = x-fx, y-fy
	a, b := float64(t.v[iy*tileSize+ix]), float64(t.v[iy*tileSize+jx])
	c, d := float64(t.v[jy*tileSize+ix]), float64(t.v[jy*tileSize+jx])
	return (1-y)*((1-x)*a+x*b) + y*((1-x)*c+x*d)
}

// mix is the finaliser of splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
func mix(z uint64) uint64 {
	z += 0x9e3779b97f4a7c15
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// gauss is a nearly normal number of unit variance made from a counter: the sum
// of four uniform ones.
func gauss(counter uint64) float32 {
	z := mix(counter)
	s := int64(z&0xffff) + int64(z>>16&0xffff) + int64(z>>32&0xffff) + int64(z>>48) - 2*0xffff
	return float32(s) * (1.7320508 / 65536)
}
