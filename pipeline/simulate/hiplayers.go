package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// The layers of a hip are planes of hipLayerSide pixels of hipLayerMM each way;
// soft tissue, which has no edges, of softLayerSide pixels four times as large.
const (
	hipLayerSide  = 288
	hipLayerMM    = 0.625 // of bone, about
	softLayerSide = hipLayerSide / 4

	hipLayerDown   = -40.6 // mm from the lesser trochanter's level down to the middle
	hipLayerAcross = 34.4  // mm from the shaft's line medially to the middle

	hipMeshShare = 0.8
)

// HipMarks are the landmarks of a hip, in the order of HipLayers.Marks.
var HipMarks = []string{"head_centre", "rim_proximal", "rim_medial", "rim_distal", "neck_centre", "neck_superior", "neck_inferior",
	"greater_trochanter", "lesser_trochanter", "canal_lateral", "canal_medial"}

// HipLayers is a hip seen from the front as what the beam meets, layer by layer:
// a film is made of it where it is learnt from, each time another. Rows run along
// the shaft's line, proximal first, columns from the lateral to the medial side.
type HipLayers struct {
	Cortical, Cancellous []float64 // mm of the femur's bone; cancellous bone weighted with its density
	Over                 []float64 // mm of cortical bone that pelvis, gas and folds are worth
	Soft                 []float64 // mm of muscle that thigh and trunk are worth
	Marks                []PatchMark
	Turn                 float64 // degrees that the condyles' axis is turned out of the film's plane, + inwards
}

// NewHipLayers makes the layers of a seed. Most femurs are meshes of varied shape,
// where there are any.
func NewHipLayers(seed uint64, meshes []*Mesh) HipLayers {
	rng := rand.New(rand.NewPCG(seed, 0x1a4e25))
	for {
		pick := groups[rng.IntN(len(groups))]
		if pick.lateral || pick.from > -30 {
			continue
		}
		s := Draw(rng, pick.name)
		if s.Legs[0].View != measure.AP {
			continue
		}
		if len(meshes) > 0 && rng.Float64() < hipMeshShare {
			s = s.WithMesh(meshes[rng.IntN(len(meshes))].Varied(rng).cam(rng).egg(rng).uneven(rng))
			s.Legs[0].Anatomy.dress(rng, s.Legs[0].Mesh)
		}
		s.turnMore(rng)
		t := s.stage()
		t.disturb(rng)
		t.field = window{hw: 1e6, hh: 1e6, shut: -1e6, penumbra: 1}
		if l := &t.legs[0]; !l.Bare && l.Break == nil && l.Implant == "" {
			return t.hipLayers(l)
		}
	}
}

// hipLayers makes the layers of one leg.
func (t *stage) hipLayers(l *stagedLeg) (h HipLayers) {
	mid := t.centreLine(l, contourTop, 100, 2)
	near, far := nearLevel(mid, 20), nearLevel(mid, 70)
	marks := t.hipMarks(l, mid)
	down := far.centre.Sub(near.centre).Unit()
	across := geom.PointMM{X: -down.Y, Y: down.X}
	if across.Dot(near.positive) > 0 {
		across = across.Mul(-1)
	}
	unit := t.Beam.SID / (t.Beam.SID - l.place.at[2]) // of the detector's mm, a mm of bone
	t.moreMarks(marks, l, near.centre, down, across, unit)
	level := marks["lesser_trochanter"].Sub(near.centre).Dot(down)
	centre := near.centre.Add(down.Mul(level + hipLayerDown*unit)).Add(across.Mul(hipLayerAcross * unit))
	square := func(side int, mm float64) grid {
		g := grid{rows: side, cols: side, dx: across.Mul(mm * unit), dy: down.Mul(mm * unit)}
		half := float64(side-1) / 2
		g.origin = centre.Sub(g.dx.Mul(half)).Sub(g.dy.Mul(half))
		return g
	}
	g := square(hipLayerSide, hipLayerMM)
	h.Cortical, h.Cancellous = t.bonePaths(g)
	h.Over = scaled(t.overlaps(g), 1/t.Physics.Cortical)
	h.Soft = scaled(t.softTissue(square(softLayerSide, 4*hipLayerMM)), 1/t.Physics.Soft)
	for _, name := range HipMarks {
		at, ok := marks[name]
		if !ok {
			h.Marks = append(h.Marks, PatchMark{State: -1})
			continue
		}
		q := g.pixel(at)
		h.Marks = append(h.Marks, PatchMark{State: 1, X: q.X, Y: q.Y})
	}
	h.Turn = l.turn()
	return h
}

// hipMarks are the landmarks of the truth above the shaft.
func (t *stage) hipMarks(l *stagedLeg, mid []outline) map[string]geom.PointMM {
	m := t.landmarks(l, mid)
	for _, name := range [3]string{"condyle_lateral", "condyle_medial", "knee_centre"} {
		delete(m, name)
	}
	return m
}

func scaled(p *plane, by float64) []float64 {
	out := make([]float64, len(p.v))
	for i, v := range p.v {
		out[i] = float64(v) * by
	}
	return out
}

// bonePaths returns the mm in cortical bone and those in cancellous bone,
// weighted with its density, of all femurs and lower legs.
func (t *stage) bonePaths(g grid) (cortical, cancellous []float64) {
	cortical, cancellous = make([]float64, g.rows*g.cols), make([]float64, g.rows*g.cols)
	tex := texture(t.Physics.TextureSeed)
	put := func(i int, cort, canc float64) {
		cortical[i] += cort
		cancellous[i] += canc
	}
	for i := range t.legs {
		if m := t.legs[i].mesh; m != nil {
			m.trace(g, &t.Physics, tex, put)
		}
	}
	for i := range t.bones {
		b := &t.bones[i]
		reach := t.footprint(b, g)
		for r := range g.rows {
			lo, hi := reach.at(r)
			for c := lo; c < hi; c++ {
				cort, canc, _ := t.through(b, g.place(float64(c), float64(r)), g.step(), tex)
				put(r*g.cols+c, cort, canc)
			}
		}
	}
	return cortical, cancellous
}

// cam returns m with a bump at the junction of head and neck, more often above
// and in front than elsewhere, or without one: a head that the neck meets in a
// shoulder, not in a waist.
func (m *Mesh) cam(rng *rand.Rand) *Mesh {
	if rng.Float64() < 0.35 {
		return m
	}
	type bump struct {
		at         vec
		wide, high float64
	}
	root := vec{0, 0, -22}
	axis := m.Head.sub(root)
	long := axis.norm()
	axis = axis.mul(1 / long)
	up := vec{0, 0, -1}
	up = up.sub(axis.mul(up.dot(axis))).unit()
	front := axis.cross(up).unit()
	r := m.headRadius()
	bumps := make([]bump, 1+rng.IntN(3))
	for i := range bumps {
		sn, cs := math.Sincos(span{-1, 1}.even(rng) * span{0.3, math.Pi}.even(rng))
		d := up.mul(cs).add(front.mul(sn))
		at := m.Head.sub(axis.mul(span{0.2, 1.2}.even(rng) * r)).add(d.mul(0.9 * r))
		bumps[i] = bump{at, span{6, 18}.even(rng), span{-1.5, 5}.even(rng)}
	}
	out := &Mesh{Vertices: make([]vec, len(m.Vertices)), Triangles: m.Triangles, ring: m.ring, Length: m.Length, centres: m.centres}
	for i, p := range m.Vertices {
		h := 0.0
		if p[2] < 5 {
			// What lies on the far half of the head stays a ball.
			keep := smooth((0.25*r - p.sub(m.Head).dot(axis)) / (0.5 * r))
			for _, b := range bumps {
				d := p.sub(b.at)
				h += b.high * keep * math.Exp(-d.dot(d)/(2*b.wide*b.wide))
			}
		}
		out.Vertices[i] = p.add(m.Normals[i].mul(h))
	}
	out.normals()
	if out.fitHead() != nil {
		return m
	}
	return out
}
