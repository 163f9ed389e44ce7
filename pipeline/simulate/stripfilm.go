package simulate

import "shaftgauge/measure/geom"

// stripFilm is a strip being exposed and developed: the strip itself with two
// columns a pixel, and around it a coarse plane, 1 mm each way, from which
// scatter and all processing of long reach are taken.
type stripFilm struct {
	fine, wide *plane
	x, y       []float64 // of the fine columns and rows on the wide plane
}

const (
	fineCols = 2 * StripCols
	wideRows = StripRows/2 + 2*stripAround
	wideCols = fineCols/10 + 2*stripBeyond
)

func newStripFilm() *stripFilm {
	f := &stripFilm{fine: newPlane(StripRows, fineCols), wide: newPlane(wideRows, wideCols), x: make([]float64, fineCols), y: make([]float64, StripRows)}
	for c := range f.x {
		f.x[c] = stripBeyond + StripAcross/2*float64(c)
	}
	for r := range f.y {
		f.y[r] = stripAround + (float64(r)-0.5)*StripDown
	}
	return f
}

// spread calls fn with each row of the fine plane and that of the wide plane p
// under it.
func (f *stripFilm) spread(p *plane, fn func(r int, fine []float32, under []float32)) {
	under := make([]float32, fineCols)
	for r := range StripRows {
		y := int(f.y[r])
		ty := float32(f.y[r] - float64(y))
		a, b := p.v[y*p.cols:(y+1)*p.cols], p.v[(y+1)*p.cols:(y+2)*p.cols]
		for c := range under {
			x := int(f.x[c])
			tx := float32(f.x[c] - float64(x))
			u, v := a[x]+ty*(b[x]-a[x]), a[x+1]+ty*(b[x+1]-a[x+1])
			under[c] = u + tx*(v-u)
		}
		fn(r, f.fine.v[r*fineCols:(r+1)*fineCols], under)
	}
}

// lineOf returns the line of a row of the fine or the wide plane: its place at
// column 0 and the vector from column to column.
func (j *stripJob) lineOf(wide bool, r int) (p, step geom.PointMM) {
	if wide {
		p, a := j.rowAt(float64(r-stripAround)/StripDown + 0.5)
		return p.Sub(a.Mul((stripBeyond + StripAcross/4) * j.unit)), a.Mul(j.unit)
	}
	p, a := j.rowAt(float64(r))
	return p.Sub(a.Mul(StripAcross / 4 * j.unit)), a.Mul(StripAcross / 2 * j.unit)
}

// affine is the grid of the fine plane, but straight.
func (j *stripJob) affine() grid {
	p, step := j.lineOf(false, StripRows/2)
	top, _ := j.rowAt(0)
	end, _ := j.rowAt(StripRows - 1)
	g := grid{rows: StripRows, cols: fineCols, dx: step, dy: end.Sub(top).Mul(1.0 / (StripRows - 1))}
	g.origin = p.Sub(g.dy.Mul(StripRows / 2))
	return g
}

// strip renders the strip that has been laid.
func (j *stripJob) strip() Strip {
	f := newStripFilm()
	g := j.affine()
	hidden := make([]float32, StripRows*fineCols)
	rings := &polarLine{}
	var buf [4][]float64
	for i := range buf {
		buf[i] = make([]float64, fineCols)
	}

	// Soft tissue, far apart.
	middle := wideRows / 2
	p0, step := j.lineOf(true, middle)
	top, _ := j.lineOf(true, 0)
	end, _ := j.lineOf(true, wideRows-1)
	sg := grid{rows: wideRows/6 + 3, cols: wideCols/6 + 3, dx: step.Mul(6), dy: end.Sub(top).Mul(6.0 / (wideRows - 1))}
	sg.origin = p0.Sub(sg.dy.Mul(float64(middle) / 6))
	soft := j.softTissue(sg)
	for r := range wideRows {
		y := min(float64(r)/6, float64(sg.rows-2))
		iy := int(y)
		ty := float32(y - float64(iy))
		for c := range wideCols {
			x := float64(c) / 6
			ix := int(x)
			tx := float32(x - float64(ix))
			a, b := soft.v[iy*sg.cols+ix:], soft.v[(iy+1)*sg.cols+ix:]
			f.wide.v[r*wideCols+c] = (1-ty)*((1-tx)*a[0]+tx*a[1]) + ty*((1-tx)*b[0]+tx*b[1])
		}
	}
	f.spread(f.wide, func(r int, fine, under []float32) { copy(fine, under) })
	for r := range wideRows {
		p, step := j.lineOf(true, r)
		j.bone(f.wide.v[r*wideCols:(r+1)*wideCols], nil, p, step, rings, &buf)
	}
	for r := range StripRows {
		p, step := j.lineOf(false, r)
		j.bone(f.fine.v[r*fineCols:(r+1)*fineCols], hidden[r*fineCols:(r+1)*fineCols], p, step, rings, &buf)
	}
	j.sheaths(f.fine)
	folds, marks, pins := j.clutter(g)
	j.fold(f, g, folds)
	for _, m := range pins {
		for r := range StripRows {
			line := f.fine.v[r*fineCols : (r+1)*fineCols]
			was := append([]float32(nil), line...)
			m.add(line, g, r)
			for c, v := range line {
				if v-was[c] > 0.5 {
					hidden[r*fineCols+c] = 1
				}
			}
		}
	}
	for _, m := range marks {
		if m.Lead {
			m.cover(g, func(i int, share float32) { f.fine.v[i] = max(f.fine.v[i], 3*share+f.fine.v[i]*(1-share)) })
		}
		m.cover(g, func(i int, share float32) { hidden[i] = max(hidden[i], share) })
	}
	j.expose(f)
	j.develop(f)
	for _, m := range marks {
		if !m.Lead {
			v := float32(0)
			if m.White {
				v = 1
			}
			m.cover(g, func(i int, share float32) { f.fine.v[i] += share * (v - f.fine.v[i]) })
		}
	}
	out := Strip{Image: make([]uint8, StripRows*StripCols), Line: make([]uint8, StripRows*StripCols/4)}
	v := j.picture(f, out.Image)
	j.label(&out, v, hidden)
	return out
}
