package simulate

import (
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// Size of a metal patch: MetalRows × MetalCols pixels of MetalMM of bone, rows
// along the shaft, proximal first. Labels have half as many each way.
const (
	MetalRows, MetalCols = 224, 160
	MetalMM              = 0.9
)

// What a place of a metal patch shows.
const (
	NoMetal = iota
	IntramedullaryMetal
	PlateMetal
	StemMetal
	OtherMetal
	MarkMetal // letters, scale balls and what is worn, which belong to the film, not to the leg
)

var metalLabels = map[string]uint8{"intramedullary": IntramedullaryMetal, "plate": PlateMetal, "stem": StemMetal, "other": OtherMetal}

// MetalPatch is a training sample for a network that marks metal along a shaft.
type MetalPatch struct {
	Image []uint8 // MetalRows × MetalCols, bone bright; 0 off the film, 1 or more on it
	Label []uint8 // half as many each way
}

// Shares of the metal patches.
const (
	brokenShare  = 0.1  // of a broken femur, whose fragments over each other are as bright as metal
	implantShare = 0.55 // of the others
	nearShare    = 0.6  // centred near the metal or the break
	clipShare    = 0.2
	sundryShare  = 0.3
	letterShare  = 0.35 // with one letter or more put near the middle
)

// NewMetalPatch makes the patch of a seed, from a film of any group. Some of the
// femurs without an implant are meshes, where there are any.
func NewMetalPatch(seed uint64, meshes []*Mesh) MetalPatch {
	rng := rand.New(rand.NewPCG(seed, 0x3e7a1))
	var implant Implant
	broken := rng.Float64() < brokenShare
	if !broken && rng.Float64() < implantShare {
		implant = usualImplants[rng.IntN(len(usualImplants))]
		if rng.Float64() < 0.25 { // what is small is hard to see
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
		if p, ok := s.metalPatch(rng, near); ok {
			return p
		}
	}
}

// metalPatch lays a patch along the first leg's shaft, near its metal or its break
// if near is set; false where that is off the film.
func (s *Scene) metalPatch(rng *rand.Rand, near bool) (MetalPatch, bool) {
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
			return MetalPatch{}, false
		}
	}
	down := project(z + 60).Sub(project(z - 60)).Unit()
	across := geom.PointMM{X: -down.Y, Y: down.X}
	turn := even(-0.1, 0.1)
	down, across = down.Add(across.Mul(turn)).Unit(), across.Sub(down.Mul(turn)).Unit()
	pitch := MetalMM / 2 * s.Beam.SID / (s.Beam.SID - place.at[2]) * even(0.75, 1.12)
	g := grid{rows: 2 * MetalRows, cols: 2 * MetalCols, dx: across.Mul(pitch), dy: down.Mul(pitch)}
	centre := project(z).Add(across.Mul(even(-8, 8)))
	g.origin = centre.Sub(g.dy.Mul(MetalRows - 0.5)).Sub(g.dx.Mul(MetalCols - 0.5))
	beside := func() geom.PointMM { return centre.Add(across.Mul(even(-55, 55))).Add(down.Mul(even(-85, 85))) }
	if rng.Float64() < letterShare {
		words := []string{"R", "L", "R", "L", "AP", "HV 07", "114", "SUPINE", "K.T.", "12:41", "X", "8"}
		for range 1 + rng.IntN(2) {
			s.Marks = append(s.Marks, Mark{Text: words[rng.IntN(len(words))], At: beside(), Height: span{4, 22}.wide(rng), Angle: even(-30, 30), Lead: rng.IntN(3) > 0, White: rng.IntN(4) > 0})
		}
		if rng.IntN(3) == 0 {
			c := beside()
			s.Metal = append(s.Metal, Metal{A: c, B: c, Radius: even(9, 17), Mean: even(0.2, 0.7)})
		}
	}
	if rng.Float64() < sundryShare {
		s.Metal = append(s.Metal, sundries(rng, beside)...)
	}
	if rng.Float64() < clipShare {
		for range 1 + rng.IntN(6) {
			c := beside()
			sn, cs := sincosDeg(even(0, 360))
			s.Metal = append(s.Metal, Metal{A: c, B: c.Add(geom.PointMM{X: cs, Y: sn}.Mul(even(2, 9))), Radius: even(0.35, 1), Mean: 0.6})
		}
	}
	t := s.stage()
	mu := t.exposure(g)
	t.lead(mu, g)
	x := t.develop(t.expose(mu, g), g)
	t.stamp(x, g)
	if rng.Float64() < 0.6 {
		x.reprocess(rng, g.step())
	}
	p := MetalPatch{Image: make([]uint8, MetalRows*MetalCols), Label: make([]uint8, MetalRows*MetalCols/4)}
	for r := range MetalRows {
		for c := range MetalCols {
			q := plate.pixel(g.place(2*float64(c)+0.5, 2*float64(r)+0.5))
			if q.X < 0 || q.Y < 0 || q.X > float64(plate.cols-1) || q.Y > float64(plate.rows-1) {
				continue
			}
			i := 2*r*g.cols + 2*c
			v := (x.v[i] + x.v[i+1] + x.v[i+g.cols] + x.v[i+g.cols+1]) / 4
			p.Image[r*MetalCols+c] = uint8(1 + 254*max(0, min(1, v)) + 0.5)
		}
	}
	t.labelMetal(p.Label, g, plate)
	return p, true
}

// labelMetal marks the cells of 4 × 4 pixels of g that metal shades.
func (t *stage) labelMetal(label []uint8, g, plate grid) {
	loose := t.loose(g)
	for _, k := range t.Marks {
		if !k.Lead {
			k.Lead = true // a stamped letter hides the bone as one of lead does
			u := Scene{Marks: []Mark{k}}
			loose = append(loose, (&stage{Scene: &u}).loose(plate)...)
		}
	}
	for r := range MetalRows / 2 {
		for c := range MetalCols / 2 {
			for _, k := range [5][2]float64{{1.5, 1.5}, {0, 0}, {3, 0}, {0, 3}, {3, 3}} {
				p := g.place(4*float64(c)+k[0], 4*float64(r)+k[1])
				if !t.visible(p, plate) {
					continue
				}
				if v := t.metalAt(p, loose); v != NoMetal {
					label[r*MetalCols/2+c] = v
					if v != MarkMetal {
						break
					}
				}
			}
		}
	}
}

// metalAt returns what shades p.
func (t *stage) metalAt(p geom.PointMM, loose []Metal) uint8 {
	for i := range t.legs {
		l := &t.legs[i]
		if l.femur == nil || len(l.femur.metal) == 0 {
			continue
		}
		o, d := t.Beam.ray(&l.place, p)
		for _, part := range [2][]quadric{l.femur.metal, l.femur.cement} {
			for j := range part {
				if part[j].misses(&o, &d) {
					continue
				}
				if _, _, hit := part[j].cross(o, d); hit {
					return metalLabels[l.Implant.column()]
				}
			}
		}
	}
	for i := range loose {
		if loose[i].covers(p) {
			if i < len(t.Metal) && loose[i].A != loose[i].B && !loose[i].Worn {
				return OtherMetal
			}
			return MarkMetal
		}
	}
	return NoMetal
}
