package simulate

import (
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// Patch is one training sample of the trochanteric region: a small picture
// whose rows run along the shaft, proximal first, and whose columns run from
// the mid-line to the medial side (AP) or to the posterior side (lateral view).
type Patch struct {
	Rows, Cols int
	Image      []uint8
	Visible    bool    // the tip of the lesser trochanter lies on the picture and in the exposed field
	X, Y       float64 // the tip in pixels of Image
}

// The frame of a patch in its own pixels: the mid-line runs down column
// PatchMid. A pixel is about PatchMM of bone.
const (
	PatchRows = 96
	PatchCols = 64
	PatchMid  = 10
	PatchMM   = 1.0
)

// TrochanterPatch makes the patch of a seed. The frame is laid as a detector
// would lay it that knows the shaft and, within 35 mm, the level: a little
// turned, a little off.
func TrochanterPatch(seed uint64) Patch {
	rng := rand.New(rand.NewPCG(seed, 0x1e55e2))
	even := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	for {
		name := groups[rng.IntN(len(groups))].name
		s := Draw(rng, name)
		t := s.stage()
		plate := s.Plate.grid()
		for i := range t.legs {
			l := &t.legs[i]
			if l.femur == nil || l.Break != nil || l.Implant != "" {
				continue
			}
			mid := t.centreLine(l, contourTop, 100, 2)
			tip := t.landmarks(l, mid)["lesser_trochanter"]
			if !t.visible(tip, plate) && rng.Float64() < 0.8 {
				continue
			}
			// The straight line that the shaft below the trochanter points up to.
			var near, far outline
			for _, q := range mid {
				if q.z <= 15 {
					near = q
				}
				if q.z <= 60 {
					far = q
				}
			}
			down := far.centre.Sub(near.centre).Unit()
			across := geom.PointMM{X: -down.Y, Y: down.X}
			if across.Dot(near.positive) > 0 {
				across = across.Mul(-1)
			}
			turn := even(-0.06, 0.06)
			down, across = down.Add(across.Mul(turn)).Unit(), across.Sub(down.Mul(turn)).Unit()
			pitch := PatchMM * near.magnified(t) * even(0.88, 1.14) / 2
			g := grid{rows: 2 * PatchRows, cols: 2 * PatchCols, dx: across.Mul(pitch), dy: down.Mul(pitch)}
			level := tip.Sub(near.centre).Dot(down) + even(-35, 35)*2*pitch
			off := even(-3, 3) * 2 * pitch
			centre := near.centre.Add(down.Mul(level)).Add(across.Mul(off))
			g.origin = centre.Sub(g.dy.Mul(PatchRows)).Sub(g.dx.Mul(2*PatchMid + 0.5))
			return t.patch(g, plate, tip)
		}
	}
}

// magnified is the magnification of the bone at q: detector mm for a mm of bone.
func (q outline) magnified(t *stage) float64 {
	for i := range t.legs {
		if t.legs[i].femur != nil {
			return t.Beam.SID / (t.Beam.SID - t.legs[i].place.at[2])
		}
	}
	return 1
}

// patch renders the grid g, twice as fine as the picture.
func (t *stage) patch(g, plate grid, tip geom.PointMM) Patch {
	mu := t.exposure(g)
	t.lead(mu, g)
	x := t.develop(t.expose(mu, g), g)
	t.stamp(x, g)
	p := Patch{Rows: g.rows / 2, Cols: g.cols / 2, Image: make([]uint8, g.rows*g.cols/4)}
	for r := range p.Rows {
		for c := range p.Cols {
			at := plate.pixel(g.place(2*float64(c)+0.5, 2*float64(r)+0.5))
			if at.X < 0 || at.Y < 0 || at.X > float64(plate.cols-1) || at.Y > float64(plate.rows-1) {
				continue
			}
			i := 2*r*g.cols + 2*c
			v := (x.v[i] + x.v[i+1] + x.v[i+g.cols] + x.v[i+g.cols+1]) / 4
			p.Image[r*p.Cols+c] = uint8(255*max(0, min(1, v)) + 0.5)
		}
	}
	q := g.pixel(tip)
	p.X, p.Y = (q.X-0.5)/2, (q.Y-0.5)/2
	p.Visible = t.visible(tip, plate) && p.X >= 0 && p.Y >= 0 && p.X <= float64(p.Cols-1) && p.Y <= float64(p.Rows-1)
	return p
}
