package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

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
