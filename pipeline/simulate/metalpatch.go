package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// Size of a metal patch: MetalRows × MetalCols pixels of MetalMM of bone, rows
// along the shaft, proximal first.
const (
	MetalRows, MetalCols = 224, 160
	MetalMM              = 0.9
)

// What an implant's metal is.
const (
	NoMetal = iota
	IntramedullaryMetal
	PlateMetal
	StemMetal
	OtherMetal
)

var metalLabels = map[string]uint8{"intramedullary": IntramedullaryMetal, "plate": PlateMetal, "stem": StemMetal, "other": OtherMetal}

// MetalPatch is a training sample for a network that marks metal along a shaft:
// what lies in the beam, in layers. The training program lays layers of several
// patches over each other and makes a picture of them.
type MetalPatch struct {
	Body  []float32 // attenuation of what is no metal
	Metal []float32 // mm of an implant's metal on the ray
	Worn  []float32 // attenuation of letters, balls and what is worn, which belong to the film, not to the leg
	Kind  uint8     // of the implant
}

// Shares of the metal patches.
const (
	brokenShare  = 0.12 // of a broken femur, whose fragments over each other are as bright as metal
	implantShare = 0.55 // of the others
	smallShare   = 0.25 // of those, of what is small
	clipShare    = 0.1  // of those without an implant
	nearShare    = 0.6  // centred near the metal or the break
	letterShare  = 0.5
	ballShare    = 0.12
	sundryShare  = 0.6
)

// wide is a field that nothing lies outside of.
var wide = Field{Width: 1e5, Height: 1e5, Round: 0.1}

// NewMetalPatch makes the patch of a seed, from a film of any group. Some of the
// femurs without an implant are meshes, where there are any.
func NewMetalPatch(seed uint64, meshes []*Mesh) MetalPatch {
	rng := rand.New(rand.NewPCG(seed, 0x3e7a1))
	var implant Implant
	broken := rng.Float64() < brokenShare
	if !broken && rng.Float64() < implantShare {
		implant = usualImplants[rng.IntN(len(usualImplants))]
		if rng.Float64() < smallShare { // what is small is hard to see
			implant = []Implant{CerclageWires, Screws, Staples, Fixator}[rng.IntN(4)]
		}
	}
	near := rng.Float64() < nearShare
	// Films are drawn until one shows what was chosen: few show the knee.
	for {
		group := groups[rng.IntN(len(groups))].name
		if broken {
			group = "broken"
		}
		s := Draw(rng, group)
		leg := &s.Legs[0]
		leg.Implant = implant
		switch {
		case implant != "":
			leg.Break = nil
		case leg.Break == nil:
			s = s.withAnyMesh(rng, meshes)
		}
		if g, ok := s.metalGrid(rng, near); ok {
			return s.metalPatch(rng, g)
		}
	}
}

// metalGrid lays a patch along the first leg's shaft, near its metal or its break
// if near is set; false where that is off the film.
func (s *Scene) metalGrid(rng *rand.Rand, near bool) (grid, bool) {
	leg := &s.Legs[0]
	plate := s.Plate.grid()
	field := s.Field.window()
	even := func(lo, hi float64) float64 { return span{lo, hi}.even(rng) }
	place := leg.Pose.placement()
	project := func(z float64) geom.PointMM {
		x, y := leg.Anatomy.centre(z)
		if leg.Mesh != nil {
			x, y = leg.Mesh.Centre(z)
		}
		return s.Beam.project(place.world(vec{x, y, z}))
	}
	var metal []quadric
	if leg.Implant != "" {
		b := leg.Anatomy.build()
		b.fit(leg.Implant, leg.Anatomy)
		metal = b.metal
	}
	var z float64
	for try := 0; ; try++ {
		z = even(-80, leg.Anatomy.Length+50)
		switch {
		case near && len(metal) > 0:
			z = metal[rng.IntN(len(metal))].c[2] + even(-70, 70)
		case near && leg.Break != nil:
			z = leg.Break.Z + even(-70, 70)
		}
		p := project(z)
		q := plate.pixel(p)
		if field.depth(p) > -5 && q.X > 0 && q.Y > 0 && q.X < float64(plate.cols) && q.Y < float64(plate.rows) {
			break
		}
		if try > 20 {
			return grid{}, false
		}
	}
	down := project(z + 60).Sub(project(z - 60)).Unit()
	across := geom.PointMM{X: -down.Y, Y: down.X}
	turn := even(-0.1, 0.1)
	down, across = down.Add(across.Mul(turn)).Unit(), across.Sub(down.Mul(turn)).Unit()
	pitch := MetalMM * s.Beam.SID / (s.Beam.SID - place.at[2]) * even(0.75, 1.12)
	g := grid{rows: MetalRows, cols: MetalCols, dx: across.Mul(pitch), dy: down.Mul(pitch)}
	centre := project(z).Add(across.Mul(even(-8, 8)))
	g.origin = centre.Sub(g.dy.Mul((MetalRows - 1) / 2.0)).Sub(g.dx.Mul((MetalCols - 1) / 2.0))
	return g, true
}

// metalPatch makes the layers of the grid g.
func (s *Scene) metalPatch(rng *rand.Rand, g grid) MetalPatch {
	s.Field, s.Metal, s.Marks = wide, nil, nil
	t := s.stage()
	fine := g.finer()
	metal, worn := newPlane(fine.rows, fine.cols), newPlane(fine.rows, fine.cols)
	p := MetalPatch{Kind: metalLabels[s.Legs[0].Implant.column()]}
	if l := &t.legs[0]; l.femur != nil {
		t.metalPath(metal, l, l.femur.metal, 1, fine)
		t.metalPath(metal, l, l.femur.cement, cementOverMetal, fine)
		l.femur.metal, l.femur.cement = nil, nil
	}
	if p.Kind == NoMetal && rng.Float64() < clipShare {
		p.Kind = OtherMetal
		for range 1 + rng.IntN(6) {
			c := somewhere(rng, g)
			sn, cs := sincosDeg(span{0, 360}.even(rng))
			Metal{A: c, B: c.Add(geom.PointMM{X: cs, Y: sn}.Mul(span{2, 9}.even(rng))), Radius: span{0.35, 1}.even(rng), Mean: 1}.over(metal, fine)
		}
	}
	t.wear(rng, g)
	t.lead(worn, fine)
	for _, m := range t.Metal {
		m.over(worn, fine)
	}
	t.Metal = nil
	p.Body, p.Metal, p.Worn = t.exposure(g).v, metal.through(metalUsual).v, worn.through(1).v
	return p
}

// metalUsual is a usual attenuation of an implant's metal per mm.
const metalUsual = 0.5

// somewhere is a place in the middle of g.
func somewhere(rng *rand.Rand, g grid) geom.PointMM {
	return g.place(float64(g.cols)*span{0.1, 0.9}.even(rng), float64(g.rows)*span{0.1, 0.9}.even(rng))
}

// wear adds letters, balls and sundries.
func (t *stage) wear(rng *rand.Rand, g grid) {
	even := func(lo, hi float64) float64 { return span{lo, hi}.even(rng) }
	at := func() geom.PointMM { return somewhere(rng, g) }
	if rng.Float64() < letterShare {
		words := []string{"R", "L", "R", "L", "AP", "HV 07", "114", "SUPINE", "K.T.", "12:41", "X", "8"}
		turn := 90 * float64(rng.IntN(4))
		for range 1 + rng.IntN(2) {
			t.Marks = append(t.Marks, Mark{Text: words[rng.IntN(len(words))], At: at(), Height: span{4, 22}.wide(rng), Angle: turn + even(-30, 30), Lead: true})
		}
	}
	if rng.Float64() < ballShare {
		c := at()
		t.Metal = append(t.Metal, Metal{A: c, B: c, Radius: even(6, 17), Mean: even(0.2, 0.7)})
	}
	if rng.Float64() < sundryShare {
		for range 1 + rng.IntN(2) {
			t.Metal = append(t.Metal, sundries(rng, at)...)
		}
	}
}

// finer is g at half its pitch.
func (g grid) finer() grid {
	f := grid{rows: 2 * g.rows, cols: 2 * g.cols, dx: g.dx.Mul(0.5), dy: g.dy.Mul(0.5)}
	f.origin = g.origin.Sub(f.dx.Mul(0.5)).Sub(f.dy.Mul(0.5))
	return f
}

// through halves x: a pixel of the result lets as much through as the four do, at
// the attenuation k.
func (x *plane) through(k float64) *plane {
	out := newPlane(x.rows/2, x.cols/2)
	for r := range out.rows {
		for c := range out.cols {
			i := 2*r*x.cols + 2*c
			sum := x.v[i] + x.v[i+1] + x.v[i+x.cols] + x.v[i+x.cols+1]
			if sum == 0 {
				continue
			}
			pass := 0.0
			for _, j := range [4]int{i, i + 1, i + x.cols, i + x.cols + 1} {
				pass += math.Exp(-k * float64(x.v[j]))
			}
			out.v[r*out.cols+c] = float32(-math.Log(pass/4) / k)
		}
	}
	return out
}

// around returns the pixels of g within reach mm of the line from a to b.
func (g grid) around(a, b geom.PointMM, reach float64) (r0, r1, c0, c1 int) {
	p, q := g.pixel(a), g.pixel(b)
	more := reach/min(g.dx.Norm(), g.dy.Norm()) + 1
	return max(0, int(min(p.Y, q.Y)-more)), min(g.rows, int(max(p.Y, q.Y)+more)+1),
		max(0, int(min(p.X, q.X)-more)), min(g.cols, int(max(p.X, q.X)+more)+1)
}

// metalPath adds what the rays have of the solids in a leg's frame, times k.
func (t *stage) metalPath(x *plane, l *stagedLeg, solids []quadric, k float64, g grid) {
	for i := range solids {
		q := &solids[i]
		c := t.Beam.project(l.place.world(q.c))
		r0, r1, c0, c1 := g.around(c, c, 1.1*l.magnification(t.Beam)*q.bound()+1)
		for r := r0; r < r1; r++ {
			for c := c0; c < c1; c++ {
				o, d := t.Beam.ray(&l.place, g.place(float64(c), float64(r)))
				if v, _, hit := q.cross(o, d); hit {
					x.v[r*x.cols+c] += float32(k * (v.b - v.a))
				}
			}
		}
	}
}

// over lays the metal over x.
func (m Metal) over(x *plane, g grid) {
	r0, r1, c0, c1 := g.around(m.A, m.B, m.Radius)
	if c0 >= c1 {
		return
	}
	for r := r0; r < r1; r++ {
		part := g
		part.origin = g.place(float64(c0), 0)
		m.add(x.v[r*x.cols+c0:r*x.cols+c1], part, r)
	}
}
