package simulate

import (
	"math"
	"runtime"
	"sync"

	"shaftgauge/measure/geom"
)

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
