package simulate

import (
	"math/rand/v2"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// PatchKind is a kind of straightened patch: a small picture whose rows run
// along the shaft's line, proximal first, and whose columns run from the lateral
// to the medial side (AP) or from the anterior to the posterior side.
type PatchKind struct {
	Name       string
	Rows, Cols int
	MM         float64  // a pixel is about so much of bone
	Row, Col   float64  // where the shaft's line passes the anchor's level
	Marks      []string // landmarks, in the order of Patch.Marks

	anchor    string  // landmark whose level the frame is laid by
	near, far float64 // z between which the shaft's line is taken; from the joint line where negative
	slack     float64 // mm by which the anchor's level may be off
	zoom      span    // what a film may call a mm, over a mm of the bone
	ap        bool    // AP views only
	shows     func(g group) bool
	disturbed bool // with bumps, odd sockets, cuts and other processing
	lesser    bool // with lesser trochanters of other forms
}

// PatchKinds are the kinds that detect has networks for; those of the hip learn from [HipLayers].
var PatchKinds = []PatchKind{
	{Name: "trochanter", Rows: 96, Cols: 64, MM: 1, Row: 47.75, Col: 10, Marks: []string{"lesser_trochanter"},
		anchor: "lesser_trochanter", near: 15, far: 60, slack: 35, zoom: span{0.88, 1.14}, disturbed: true, lesser: true},
	{Name: "knee", Rows: 96, Cols: 128, MM: 1.1, Row: 60, Col: 63.5, Marks: []string{"condyle_lateral", "condyle_medial", "knee_centre"},
		anchor: "knee_centre", near: -150, far: -90, slack: 12, zoom: span{0.8, 1.14}, ap: true, shows: func(g group) bool { return !g.lateral && g.to > 1000 },
		disturbed: true},
}

// Patch is one training sample of a kind.
type Patch struct {
	Rows, Cols int
	Image      []uint8
	Marks      []PatchMark
	Turn       float64 // degrees that the condyles' axis is turned out of the film's plane, + inwards
}

// PatchMark is a landmark of a patch.
type PatchMark struct {
	State float64 // 1: it lies on the picture and in the exposed field; 0: it does not; −1: not known
	X, Y  float64 // pixels of Image
}

// Shares of the patches of real surfaces, where there are any.
const (
	meshShare   = 0.5
	lesserShare = 0.75 // of the lesser trochanter's: no other shape shows it as it is
)

// NewPatch makes the patch of a seed. The frame is laid as a detector would lay
// it that knows the shaft and nearly the level: a little turned, a little off.
// Some of the femurs are meshes of varied shape, where there are any.
func NewPatch(k PatchKind, seed uint64, meshes []*Mesh) Patch {
	rng := rand.New(rand.NewPCG(seed, 0x1e55e2))
	for {
		pick := groups[rng.IntN(len(groups))]
		if k.shows != nil && !k.shows(pick) && rng.Float64() < 0.95 {
			continue
		}
		s := Draw(rng, pick.name)
		if k.ap && s.Legs[0].View != measure.AP {
			continue
		}
		share := meshShare
		if k.lesser {
			share = lesserShare
		}
		if (s.Legs[0].View == measure.AP || k.lesser) && len(meshes) > 0 && rng.Float64() < share {
			m := meshes[rng.IntN(len(meshes))].Varied(rng).uneven(rng)
			if k.lesser && rng.Float64() < 0.7 {
				m = m.otherLesser(rng)
			}
			s = s.WithMesh(m)
			s.Legs[0].Anatomy.dress(rng, s.Legs[0].Mesh)
		}
		if k.disturbed {
			s.turnMore(rng)
		}
		t := s.stage()
		if k.disturbed {
			t.disturb(rng)
		}
		if k.lesser {
			t.otherLessers(rng)
		}
		for i := range t.legs {
			if p, ok := t.patchOf(&t.legs[i], k, rng); ok {
				p.Turn = t.legs[i].turn()
				return p
			}
		}
	}
}

// patchOf makes the patch of one leg; false where that shows nothing to learn.
func (t *stage) patchOf(l *stagedLeg, k PatchKind, rng *rand.Rand) (Patch, bool) {
	if l.Bare || l.Break != nil || l.Implant != "" {
		return Patch{}, false
	}
	plate := t.Plate.grid()
	length := l.Anatomy.Length
	mid := t.centreLine(l, contourTop, length-contourEnd, 2)
	z := func(v float64) float64 {
		if v < 0 {
			return length + v
		}
		return v
	}
	near, far := nearLevel(mid, z(k.near)), nearLevel(mid, z(k.far))
	marks := t.landmarks(l, mid)
	anchor, ok := marks[k.anchor]
	if !ok || !t.visible(anchor, plate) && rng.Float64() < 0.8 {
		return Patch{}, false
	}
	even := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	down := far.centre.Sub(near.centre).Unit()
	across := geom.PointMM{X: -down.Y, Y: down.X}
	if across.Dot(near.positive) > 0 {
		across = across.Mul(-1)
	}
	magnified := t.Beam.SID / (t.Beam.SID - l.place.at[2])
	unit := magnified * k.zoom.even(rng) // of the detector's mm, what the film calls a mm
	turn := even(-0.06, 0.06)
	down, across = down.Add(across.Mul(turn)).Unit(), across.Sub(down.Mul(turn)).Unit()
	pitch := k.MM * unit / 2
	g := grid{rows: 2 * k.Rows, cols: 2 * k.Cols, dx: across.Mul(pitch), dy: down.Mul(pitch)}
	slack := k.slack
	if rng.Float64() < 0.5 && k.disturbed { // more often well known
		slack /= 3
	}
	level := anchor.Sub(near.centre).Dot(down) + even(-slack, slack)*unit
	off := even(-3, 3) * unit
	centre := near.centre.Add(down.Mul(level)).Add(across.Mul(off))
	g.origin = centre.Sub(g.dy.Mul(2*k.Row + 0.5)).Sub(g.dx.Mul(2*k.Col + 0.5))
	shut := window{hw: 1e6, hh: 1e6}
	fill := uint8(0)
	if k.disturbed && rng.Float64() < 0.25 {
		shut, fill = randomCut(rng, g), uint8([]int{0, 0, 255, rng.IntN(256)}[rng.IntN(4)])
	}
	return t.patch(g, k, marks, rng, shut, fill), true
}

// patch renders the grid g, twice as fine as the picture.
func (t *stage) patch(g grid, k PatchKind, marks map[string]geom.PointMM, rng *rand.Rand, shut window, fill uint8) Patch {
	plate := t.Plate.grid()
	mu := t.exposure(g)
	t.lead(mu, g)
	x := t.develop(t.expose(mu, g), g)
	t.stamp(x, g)
	if k.disturbed && rng.Float64() < 0.6 {
		x.reprocess(rng, g.step())
	}
	p := Patch{Rows: k.Rows, Cols: k.Cols, Image: make([]uint8, k.Rows*k.Cols)}
	for r := range p.Rows {
		for c := range p.Cols {
			at := g.place(2*float64(c)+0.5, 2*float64(r)+0.5)
			q := plate.pixel(at)
			if q.X < 0 || q.Y < 0 || q.X > float64(plate.cols-1) || q.Y > float64(plate.rows-1) {
				continue
			}
			if shut.depth(at) < 0 {
				p.Image[r*p.Cols+c] = fill
				continue
			}
			i := 2*r*g.cols + 2*c
			v := (x.v[i] + x.v[i+1] + x.v[i+g.cols] + x.v[i+g.cols+1]) / 4
			p.Image[r*p.Cols+c] = uint8(255*max(0, min(1, v)) + 0.5)
		}
	}
	for _, name := range k.Marks {
		at, ok := marks[name]
		if !ok {
			p.Marks = append(p.Marks, PatchMark{State: -1})
			continue
		}
		q := g.pixel(at)
		m := PatchMark{X: (q.X - 0.5) / 2, Y: (q.Y - 0.5) / 2}
		if t.visible(at, plate) && shut.depth(at) > 0 && m.X >= 0 && m.Y >= 0 && m.X <= float64(p.Cols-1) && m.Y <= float64(p.Rows-1) {
			m.State = 1
		}
		p.Marks = append(p.Marks, m)
	}
	return p
}

// randomCut is a field that leaves most of the grid.
func randomCut(rng *rand.Rand, g grid) window {
	w, h := g.dx.Norm()*float64(g.cols), g.dy.Norm()*float64(g.rows)
	f := Field{Width: w * span{0.7, 1.3}.even(rng), Height: h * span{0.7, 1.3}.even(rng), Angle: span{0, 90}.even(rng), Round: 0.1}
	c := g.place(float64(g.cols)*span{0.35, 0.65}.even(rng), float64(g.rows)*span{0.35, 0.65}.even(rng))
	f.X, f.Y = c.X, c.Y
	return f.window()
}
