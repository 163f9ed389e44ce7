package simulate

import (
	"math"
	"math/rand/v2"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Sample is one training sample for a small network: a film made small, with
// what is on it. Planes of labels have half the picture's size; their pixel
// (x, y) covers the picture's pixels 2x … 2x+1.
type Sample struct {
	Group    string
	Negative bool // no femur
	Content  string

	Size  int     // side of the picture in pixels
	Film  [4]int  // left, top, width and height of the film in the picture
	Image []uint8 // row by row, bone bright, letterboxed with 0
	Pitch float64 // mm on the detector per pixel of Image

	LabelSize  int
	Shaft      []uint8   // 1 on the projected shaft: from 30 mm above the lesser trochanter to the supracondylar flare
	Femur      []uint8   // 1 on any part of a femur
	Instance   []uint8   // number of the femur from 1, 0 elsewhere
	DirX, DirY []float32 // unit vector to proximal inside Femur, else 0
	Sign       []int8    // +1 where lateral or anterior lies clockwise, as seen, of proximal; −1 counter-clockwise; 0 outside Femur
	View       []uint8   // 1 AP, 2 LAT inside Femur, else 0

	Femurs []SampleFemur
}

// SampleFemur is one femur of a sample, in the order of Instance.
type SampleFemur struct {
	Side      measure.Side
	View      measure.View
	Landmarks map[string]SampleMark // keys as in FemurTruth
}

// SampleMark is a landmark in pixels of Image; X and Y hold also where it is not
// visible.
type SampleMark struct {
	X, Y    float64
	Visible bool
}

// shaftTop is where the label of the shaft begins, in mm of z.
const shaftTop = -30.0

// Shares of what coarse samples are drawn from. Nearly half show no femur, since a
// network that looks for shafts passes many of them by; most of those show what has
// a shaft of its own.
const (
	coarseNegative = 0.45
	coarsePared    = 0.25 // of those: a bone made of a femur's surface, where there is one
	coarseImplant  = 0.1  // of femurs of any group
	coarseFracture = 0.04
)

// coarseNegatives are the kinds of films without a femur, each as likely as the next.
var coarseNegatives = append([]string{"humerus", "humerus", "humerus", "humerus", "lower_leg", "lower_leg", "long_bone", "long_bone", "long_bone",
	"pipe", "pipe", "elbow", "elbow", "elbow", "shoulder", "shoulder", "shoulder", "prosthesis", "rod", "ankle", "finger", "forearm"}, negatives...)

// coarseWeight is the weight of a group among the femurs: those whose ends are off
// the film, the lower ones and the long ones are the hardest to find and to tell.
func coarseWeight(g group) float64 {
	switch {
	case g.from > 100:
		return 2.2 * g.weight
	case g.implant || g.long || g.from > 50:
		return 1.4 * g.weight
	}
	return g.weight
}

// Shares of the coarse samples.
const (
	fieldShare = 0.5 // cut to the exposed field
	pieceShare = 0.2 // cut to a piece of the film
	uneven     = 0.3 // of unequal scale across and along
)

const (
	leastCut   = 260.0 // mm that a cut to the field leaves each way, where the film has that
	leastPiece = 160.0 // mm that a cut to a piece leaves
)

// Coarse makes the training sample of a seed, size pixels (even) wide and high,
// from all groups of [Draw] and from films without a femur; some of the femurs are
// meshes of varied shape, where there are any. It uses one processor.
func Coarse(seed uint64, size int, meshes []*Mesh) Sample {
	rng := rand.New(rand.NewPCG(seed, 0x5eed))
	if rng.Float64() < coarseNegative {
		if len(meshes) > 0 && rng.Float64() < coarsePared {
			s := drawAny(rng, func(g group) float64 { return 1 }).asOther(rng, meshes[rng.IntN(len(meshes))])
			return s.coarse(rng, size)
		}
		s := DrawNegative(rng, coarseNegatives[rng.IntN(len(coarseNegatives))])
		return s.coarse(rng, size)
	}
	s := drawAny(rng, coarseWeight)
	if l := &s.Legs[0]; l.Implant == "" && l.Break == nil && !l.Bare {
		switch p := rng.Float64(); {
		case p < coarseImplant:
			l.Implant = usualImplants[rng.IntN(len(usualImplants))]
		case p < coarseImplant+coarseFracture:
			l.Break = fracture(rng)
		default:
			s = s.withAnyMesh(rng, meshes)
		}
	}
	return s.coarse(rng, size)
}

// drawAny draws a scene of any group, by their weights.
func drawAny(rng *rand.Rand, weight func(g group) float64) Scene {
	total := 0.0
	for _, g := range groups {
		total += weight(g)
	}
	pick := rng.Float64() * total
	for _, g := range groups {
		if pick -= weight(g); pick < 0 {
			return Draw(rng, g.name)
		}
	}
	return Draw(rng, groups[0].name)
}

// withAnyMesh puts one of the meshes, varied in shape, in place of the first
// femur in meshShare of all scenes.
func (s Scene) withAnyMesh(rng *rand.Rand, meshes []*Mesh) Scene {
	if len(meshes) == 0 || rng.Float64() > meshShare {
		return s
	}
	s = s.WithMesh(meshes[rng.IntN(len(meshes))].Varied(rng))
	s.Legs[0].Anatomy.dress(rng, s.Legs[0].Mesh)
	return s
}

// cut is the rectangle x0 … x1, y0 … y1 of a film in mm from the first corner of
// its stored image.
type cut struct{ x0, y0, x1, y1 float64 }

// least grows lo … hi to n within 0 … whole.
func least(lo, hi, n, whole float64) (float64, float64) {
	n = min(n, whole)
	if more := n - (hi - lo); more > 0 {
		lo = min(max(0, lo-more/2), whole-n)
		hi = lo + n
	}
	return lo, hi
}

// toField is the part of a film of 1 mm pixels that holds the exposed field,
// with a margin.
func (s *Scene) toField(rng *rand.Rand, film grid) cut {
	w, h := float64(film.cols), float64(film.rows)
	c := cut{w, h, 0, 0}
	for _, p := range s.Field.corners() {
		q := film.pixel(p)
		c = cut{min(c.x0, q.X+0.5), min(c.y0, q.Y+0.5), max(c.x1, q.X+0.5), max(c.y1, q.Y+0.5)}
	}
	margin := func() float64 { return span{-5, 20}.even(rng) }
	c.x0, c.x1 = max(0, c.x0-margin()), min(w, c.x1+margin())
	c.y0, c.y1 = max(0, c.y0-margin()), min(h, c.y1+margin())
	c.x0, c.x1 = least(c.x0, c.x1, leastCut, w)
	c.y0, c.y1 = least(c.y0, c.y1, leastCut, h)
	return c
}

// piece is a random part of a film of 1 mm pixels.
func piece(rng *rand.Rand, film grid) cut {
	w, h := float64(film.cols), float64(film.rows)
	a, b := min(w, max(leastPiece, w*span{0.5, 1}.even(rng))), min(h, max(leastPiece, h*span{0.4, 1}.even(rng)))
	x, y := (w-a)*rng.Float64(), (h-b)*rng.Float64()
	return cut{x, y, x + a, y + b}
}

// coarseGrid is the grid that fits the film, or a part of it, into n × n
// pixels. The film may be scaled a little differently across and along, as by a
// header that is wrong.
func (s *Scene) coarseGrid(rng *rand.Rand, n int) grid {
	plate := s.Plate
	plate.Spacing = geom.Spacing{Y: 1, X: 1}
	film := plate.grid()
	c := cut{0, 0, float64(film.cols), float64(film.rows)}
	switch p := rng.Float64(); {
	case p < fieldShare:
		c = s.toField(rng, film)
	case p < fieldShare+pieceShare:
		c = piece(rng, film)
	}
	sx, sy := 1.0, 1.0
	if rng.Float64() < uneven {
		sx = span{0.92, 1.08}.even(rng)
		sy = 1 / sx
	}
	w, h := c.x1-c.x0, c.y1-c.y0
	pitch := max(w/sx, h/sy) / float64(n)
	sx, sy = sx*pitch, sy*pitch
	g := grid{rows: max(1, min(n, int(h/sy))), cols: max(1, min(n, int(w/sx))), dx: film.dx.Mul(sx), dy: film.dy.Mul(sy)}
	g.origin = film.place(c.x0-0.5+sx/2, c.y0-0.5+sy/2)
	return g
}

// coarse renders s at low resolution with labels: one and a half pixels of the
// rendering for each of the picture, three for each of the labels.
func (s *Scene) coarse(rng *rand.Rand, size int) Sample {
	n := size * 3 / 2
	g := s.coarseGrid(rng, n)
	t := s.stage()
	mu := t.exposure(g)
	t.lead(mu, g)
	x := t.develop(t.expose(mu, g), g)
	t.stamp(x, g)
	t.paint(x, g)
	x.reprocess(rng, g.step())
	padX, padY := (n-g.cols)/6*3, (n-g.rows)/6*3

	out := Sample{Group: s.Group, Content: s.Content, Size: size, Pitch: 1.5 * math.Sqrt(g.dx.Norm()*g.dy.Norm()),
		Film: [4]int{padX / 3 * 2, padY / 3 * 2, g.cols * 2 / 3, g.rows * 2 / 3}, Image: make([]uint8, size*size), LabelSize: size / 2}
	gamma := math.Exp(0.35 * rng.NormFloat64())
	low, high := 0.12*rng.Float64(), 1-0.12*rng.Float64()
	// A pixel takes a whole one of the rendering and half of the next or the last.
	taps := func(i int) (whole, half int) {
		if i%2 == 0 {
			return i / 2 * 3, i/2*3 + 1
		}
		return i/2*3 + 2, i/2*3 + 1
	}
	for y := range size {
		r0, r1 := taps(y)
		for c := range size {
			c0, c1 := taps(c)
			var sum, weight float32
			add := func(c, r int, w float32) {
				if c -= padX; c < 0 || c >= g.cols {
					return
				}
				if r -= padY; r < 0 || r >= g.rows {
					return
				}
				sum += w * x.v[r*g.cols+c]
				weight += w
			}
			add(c0, r0, 4)
			add(c1, r0, 2)
			add(c0, r1, 2)
			add(c1, r1, 1)
			if weight > 0 {
				v := math.Pow(float64(sum/weight), gamma)
				out.Image[y*size+c] = uint8(255*max(0, min(1, low+(high-low)*v)) + 0.5)
			}
		}
	}
	t.label(&out, g, float64(padX), float64(padY))
	out.Negative = len(out.Femurs) == 0
	return out
}

// label fills the planes of labels and the landmarks. padX and padY are where
// the grid's first pixel lies in the picture of one and a half times the size.
func (t *stage) label(s *Sample, g grid, padX, padY float64) {
	n := s.LabelSize
	s.Shaft, s.Femur, s.Instance, s.View = make([]uint8, n*n), make([]uint8, n*n), make([]uint8, n*n), make([]uint8, n*n)
	s.DirX, s.DirY, s.Sign = make([]float32, n*n), make([]float32, n*n), make([]int8, n*n)
	if t.Group == NegativeGroup {
		return
	}
	for i := range t.legs {
		l := &t.legs[i]
		id := uint8(len(s.Femurs) + 1)
		shaft := 0
		switch {
		case l.mesh != nil:
			shaft = t.labelMesh(s, l, id, g, padX, padY)
		case l.femur == nil:
			continue
		case l.Break != nil:
			p, d := *l, *l
			p.femur, d.femur = l.femur.parts(l.Break.Z)
			d.place = l.Break.moved(l.Pose).placement()
			shaft = t.labelFemur(s, &p, id, g, padX, padY) + t.labelFemur(s, &d, id, g, padX, padY)
		default:
			shaft = t.labelFemur(s, l, id, g, padX, padY)
		}
		if shaft == 0 {
			for k := range s.Instance {
				if s.Instance[k] == id {
					s.Instance[k] = 0
				}
			}
			continue
		}
		f := SampleFemur{Side: l.Anatomy.Side, View: l.View, Landmarks: make(map[string]SampleMark)}
		mid := t.centreLine(l, contourTop, l.Anatomy.Length-contourEnd, 4)
		for name, p := range t.landmarks(l, mid) {
			q := g.pixel(p)
			f.Landmarks[name] = SampleMark{(q.X+padX+0.5)/1.5 - 0.5, (q.Y+padY+0.5)/1.5 - 0.5, t.visible(p, g)}
		}
		s.Femurs = append(s.Femurs, f)
	}
}

// NegativeIndex is the number of a sample's kind among [Negatives] from 1; 0 for
// a film with a femur.
func (s *Sample) NegativeIndex() int {
	if s.Group != NegativeGroup {
		return 0
	}
	return 1 + slices.Index(Negatives(), s.Content)
}

// labelFemur marks the pixels of one femur and returns how many are shaft.
func (t *stage) labelFemur(s *Sample, l *stagedLeg, id uint8, g grid, padX, padY float64) (shaft int) {
	b := l.femur
	src := t.Beam.source()
	near := l.place.at[2] / t.Beam.SID
	return t.labelBone(s, l, id, g, padX, padY, b.topZ+1, b.length-10, func(p geom.PointMM) (onBone, onShaft bool) {
		if !b.nearby(t.Beam, &l.place, p) {
			return false, false
		}
		o, d := t.Beam.ray(&l.place, p)
		c, hit := b.outer.cross(o, d, src.sub(vec{p.X, p.Y, 0}).norm()*near)
		on := hit
		for i := 0; i < len(b.solids) && !on; i++ {
			_, _, on = b.solids[i].outer.cross(o, d)
		}
		return on, hit && c.z > shaftTop && c.z < b.flareZ
	})
}

// labelMesh marks the pixels of a femur that is a mesh and returns how many are
// shaft: above the lesser trochanter, what lies on the shaft's line carried up.
func (t *stage) labelMesh(s *Sample, l *stagedLeg, id uint8, g grid, padX, padY float64) (shaft int) {
	b := l.mesh.profile()
	mid := t.centreLine(l, contourTop, l.Anatomy.Length-contourEnd, 2)
	low := nearLevel(mid, 40)
	half := math.Abs(edgeOf(low.centre, low.centre.Add(low.positive.Mul(60)), b.outer).Sub(low.centre).Dot(low.positive))
	return t.labelBone(s, l, id, g, padX, padY, shaftTop, l.Anatomy.Length-10, func(p geom.PointMM) (onBone, onShaft bool) {
		if !b.outer(p) {
			return false, false
		}
		z := t.level(l, p)
		if z <= shaftTop || z >= b.flareZ {
			return true, false
		}
		q := nearLevel(mid, z)
		return true, z > 10 || math.Abs(p.Sub(q.centre).Dot(q.positive)) < 1.15*half
	})
}

// level is the z of a leg's body frame where the ray to p passes the leg's depth.
func (t *stage) level(l *stagedLeg, p geom.PointMM) float64 {
	w := vec{p.X, p.Y, 0}
	return l.place.body(w.add(t.Beam.source().sub(w).mul(l.place.at[2] / t.Beam.SID)))[2]
}

// labelBone marks the pixels of one femur, whose axis is taken between the levels
// top and end, and returns how many are shaft. shows tells what a place shows.
func (t *stage) labelBone(s *Sample, l *stagedLeg, id uint8, g grid, padX, padY, top, end float64, shows func(p geom.PointMM) (onBone, onShaft bool)) (shaft int) {
	n := s.LabelSize
	view := uint8(1)
	if l.View == measure.Lateral {
		view = 2
	}
	centre := l.centre()
	// Directions in pixels: the two pitches may differ.
	axes := [2]geom.PointMM{g.dx.Mul(1 / g.dx.Dot(g.dx)), g.dy.Mul(1 / g.dy.Dot(g.dy))}
	inPixels := func(v geom.PointMM) geom.PointMM { return geom.PointMM{X: v.Dot(axes[0]), Y: v.Dot(axes[1])} }
	project := func(z float64) geom.PointMM {
		x, y := centre(z)
		return t.Beam.project(l.place.world(vec{x, y, z}))
	}
	for i := range n * n {
		p := g.place(3*float64(i%n)+1-padX, 3*float64(i/n)+1-padY)
		if !t.visible(p, g) {
			continue
		}
		onBone, onShaft := shows(p)
		if !onBone {
			continue
		}
		s.Femur[i], s.Instance[i], s.View[i] = 1, id, view
		if onShaft {
			s.Shaft[i] = 1
			shaft++
		}
		z := max(top, min(t.level(l, p), end))
		u := inPixels(project(z - 2).Sub(project(z + 2))).Unit()
		s.DirX[i], s.DirY[i] = float32(u.X), float32(u.Y)
		s.Sign[i] = 1
		if u.Cross(inPixels(t.positive(l, z))) < 0 {
			s.Sign[i] = -1
		}
	}
	return shaft
}
