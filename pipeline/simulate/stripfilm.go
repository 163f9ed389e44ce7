package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

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

var softShells = []float64{0.4, 0.2, 0, -0.2, -0.4}

// bone lays the attenuation of the bone, and the metal on it, over a row.
func (j *stripJob) bone(line []float32, hidden []float32, p, step geom.PointMM, rings *polarLine, buf *[4][]float64) {
	n := len(line)
	whole, hollow, middle, young := buf[0][:n], buf[1][:n], buf[2][:n], buf[3][:n]
	ph := &j.Physics
	du := step.Norm()
	a := step.Mul(1 / du)
	s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
	shells := softShells
	if hidden == nil {
		shells = softShells[2:3]
	}
	outer := rings.ring[len(shells) : len(shells)+1]
	s.cut(j.p, j.p.out, []float64{0}, outer)
	s.cut(j.p, j.p.in, shells, rings.ring[:len(shells)])
	clear(whole)
	clear(hollow)
	outer[0].chords(whole, du, 1)
	if len(j.focal) > 0 && j.young < 1 && hidden != nil {
		bare := rings.ring[len(shells)+1 : len(shells)+2]
		s.cut(j.p, j.p.bareOut, []float64{0}, bare)
		clear(middle)
		bare[0].chords(middle, du, 1)
		for c := range young {
			young[c] = abs(whole[c]) - abs(middle[c])
		}
	} else {
		young = nil
	}
	for k := range shells {
		clear(middle)
		rings.ring[k].chords(middle, du, 1/float64(len(shells)))
		for c, v := range middle {
			hollow[c] += abs(v)
		}
	}
	z := s.z(j.leg.centreAt(j.p, s.p[2]))
	z = s.z(j.leg.centreAt(j.p, z))
	i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
	dense := j.p.dense[i]
	src := j.Beam.source()
	bs := j.leg.place.body(src)
	tex := texture(ph.TextureSeed)
	near := j.leg.place.at[2] / j.Beam.SID
	var solids []*solid
	for k := range j.solids {
		if q := &j.solids[k]; z > q.lo-6 && z < q.hi+6 {
			solids = append(solids, q)
		}
	}
	metal := closeTo(j.metal, z)
	voids := closeTo(j.voids, z)
	var lines []lucent
	for _, l := range j.lines {
		if abs(vec{0, 0, z}.sub(vec{0, 0, l.at[2]}).dot(l.normal)) < l.half+12 {
			lines = append(lines, l)
		}
	}
	if hidden == nil {
		voids, lines = nil, nil
	}
	fine := hidden != nil
	canal, _ := rings.ring[len(shells)/2].edges()
	canal /= j.unit
	rays := len(solids)+len(metal)+len(voids)+len(lines) > 0
	for c := range line {
		q := p.Add(step.Mul(float64(c)))
		dx, dy := q.X-src[0], q.Y-src[1]
		dist := math.Sqrt(dx*dx + dy*dy + src[2]*src[2])
		slant := dist / src[2]
		w, h := abs(whole[c])*slant, hollow[c]*slant
		h = min(h, w)
		cort, canc := w-h, dense*h
		if young != nil {
			cort -= min(cort, max(0, (1-j.young)*young[c]*slant))
		}
		var o, d vec
		if rays {
			o = j.leg.place.body(vec{q.X, q.Y, 0})
			d = bs.sub(o).mul(1 / dist)
		}
		if len(solids) > 0 {
			cort, canc = mixSolids(solids, o, d, z, &outer[0], &rings.ring[len(shells)/2], du*float64(c), slant, w, h, dense)
		}
		if w > 0 && len(lines) > 0 {
			lo, hi, hit := outer[0].heights(du * float64(c))
			if hit {
				m := o.at((lo+hi)/2*slant, d)
				for k := range lines {
					l := &lines[k]
					const pitch = StripDown
					across := m.sub(l.at).dot(l.normal)
					half := l.half * (1 - j.taper*max(0, min(1, (l.at[0]-m[0])/(l.at[0]-l.inward))))
					share := max(0, min(across+pitch/2, half)-max(across-pitch/2, -half)) / pitch
					cort -= cort * l.missing * share * max(0, min(1, (m[0]-l.inward)/0.3+0.5))
				}
			}
		}
		for k := range voids {
			if v, _, ok := voids[k].cross(o, d); ok {
				cort -= min(cort, v.b-v.a)
			}
		}
		if cort > 0 || canc > 0 {
			m := vec{s.p[0] + s.a[0]*du*float64(c), s.p[1] + s.a[1]*du*float64(c), s.p[2] + s.a[2]*du*float64(c)}
			m = m.add(bs.sub(m).mul(near))
			n := tex.at((m[0]+0.7*m[1])/ph.TextureScale, m[2]/(2.2*ph.TextureScale))
			if fine && j.pores > 0 {
				cort *= 1 + j.pores*tex.at((m[0]+0.4*m[1])/j.poreSize+17, m[2]/(20*j.poreSize))
			}
			if d := du*float64(c)/j.unit - canal; fine && d > 0 && d < 4*j.streaks.deep {
				cort += max(0, j.streaks.bone*math.Exp(-d/j.streaks.deep)*tex.at((m[0]+0.4*m[1])/j.streaks.across+53, m[2]/j.streaks.along))
			}
			line[c] += float32(ph.Cortical*cort + ph.Cancellous*canc*(1+ph.Texture*n))
		}
		for k := range metal {
			if v, _, ok := metal[k].cross(o, d); ok {
				line[c] += float32(ph.Metal * (v.b - v.a))
				if hidden != nil {
					hidden[c] = 1
				}
			}
		}
	}
}

// closeTo returns those of q that may lie at the level z.
func closeTo(q []quadric, z float64) []*quadric {
	var out []*quadric
	for i := range q {
		if off := abs(z-q[i].c[2]) - 8; off <= 0 || off*off < q[i].reach {
			out = append(out, &q[i])
		}
	}
	return out
}

// mixSolids returns the cortical and the cancellous path along a ray through the
// shaft and the parts that stand out of it, as [bone.trace] does.
func mixSolids(solids []*solid, o, d vec, z float64, outer, inner *loop, u, slant, w, h, dense float64) (cort, canc float64) {
	var out, in [16]interval
	n, m := 0, 0
	lo, hi, hit := outer.heights(u)
	shaft := interval{lo * slant, hi * slant}
	length, weight, extra := h, h*dense, h
	if hit {
		out[0], n = shaft, 1
		if lo, hi, ok := inner.heights(u); ok {
			in[0], m = interval{lo * slant, hi * slant}, 1
			extra = h - (hi-lo)*slant
		}
	}
	met := false
	for _, q := range solids {
		v, _, ok := q.outer.cross(o, d)
		if !ok {
			continue
		}
		met = true
		out[n] = v
		n++
		v, _, ok = q.inner.cross(o, d)
		if ok && q.proud && hit {
			v, ok = outside(v, shaft)
		}
		if ok {
			in[m] = v
			m++
			length += v.b - v.a
			weight += q.density * (v.b - v.a)
		}
	}
	if !met {
		return w - h, dense * h
	}
	whole := union(out[:n])
	hollow := max(0, min(whole, union(in[:m])+extra))
	if length > 0 {
		canc = hollow * weight / length
	}
	return whole - hollow, canc
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

// sheaths lays planes of fat or tendon along the bone.
func (j *stripJob) sheaths(fine *plane) {
	if !j.chance(0.2) {
		return
	}
	for range 1 + j.IntN(2) {
		at, slope, bend := j.even(-5, 9)/StripAcross, j.even(-0.02, 0.02), j.even(-2, 2)/StripAcross
		sd, mm := j.even(0.3, 1.5)/StripAcross, j.even(-3, 3)
		for r := range StripRows {
			u := float64(r)/StripRows - 0.5
			c := at + slope*float64(r-StripRows/2)*StripDown/StripAcross + bend*u*u
			for k := max(0, int(2*(c-3*sd))); k < min(fineCols, int(2*(c+3*sd))); k++ {
				d := (float64(k)/2 - c) / sd
				fine.v[r*fineCols+k] += float32(j.Physics.Soft * mm * math.Exp(-d*d/2))
			}
		}
	}
}

// clutter draws folds, letters and pins across the lateral cortex.
func (j *stripJob) clutter(g grid) (folds []Fold, marks []Mark, pins []Metal) {
	at := func() geom.PointMM {
		return g.place(fineCols*j.even(0.1, 0.9), StripRows*j.even(0.02, 0.98))
	}
	folds = j.Folds
	if j.chance(0.3) {
		for range 1 + j.IntN(2) {
			sn, cs := sincosDeg(j.even(-75, 75))
			u := g.dx.Unit().Mul(cs).Add(g.dy.Unit().Mul(sn)).Mul(j.even(30, 160))
			c := at()
			folds = append(folds, Fold{A: c.Sub(u), B: c.Add(u), Sag: j.even(-12, 12), Step: j.even(0.5, 9), Width: j.even(0.3, 2)})
		}
	}
	marks, pins = j.Marks, j.Metal
	if j.chance(0.18) {
		words := []string{"R", "L", "SUPINE", "HV 07", "09:15", "PORT", "K.T.", "-", "1", "/"}
		for range 1 + j.IntN(2) {
			m := Mark{Text: words[j.IntN(len(words))], Height: span{3, 16}.wide(j.Rand), White: j.chance(0.75), Lead: j.chance(0.3), Angle: j.even(-30, 30) + 90*float64(j.IntN(4)/2)}
			c := at()
			m.At = geom.PointMM{X: c.X - j.Float64()*m.width(), Y: c.Y - j.Float64()*m.Height}
			marks = append(marks, m)
		}
	}
	if j.chance(0.12) { // clips, or what is less dense
		mean := []float64{0.6, 0.03, 0.06}[j.IntN(3)]
		for range 1 + j.IntN(4) {
			c, sn, cs := at(), 0.0, 0.0
			sn, cs = sincosDeg(j.even(0, 360))
			pins = append(pins, Metal{A: c, B: c.Add(geom.PointMM{X: cs, Y: sn}.Mul(j.even(1, 20))), Radius: span{0.3, 1.2}.wide(j.Rand), Mean: mean})
		}
	}
	return folds, marks, pins
}

// fold lays folds over the strip, at every second of its columns.
func (j *stripJob) fold(f *stripFilm, g grid, folds []Fold) {
	for _, q := range folds {
		for r := range StripRows {
			line := f.fine.v[r*fineCols : (r+1)*fineCols]
			last := 0.0
			for c := 0; c <= fineCols; c += 4 {
				v := j.Physics.Soft * q.path(g.place(float64(c), float64(r)))
				if c > 0 && (v != 0 || last != 0) {
					for k := range 4 {
						line[c-4+k] += float32(last + (v-last)*float64(k)/4)
					}
				}
				last = v
			}
		}
		for r := range wideRows {
			for c := range wideCols {
				p := g.place(float64(c-stripBeyond)*10, float64(r-stripAround)*2)
				f.wide.v[r*wideCols+c] += float32(j.Physics.Soft * q.path(p))
			}
		}
	}
}

// expose is [stage.expose] of a strip.
func (j *stripJob) expose(f *stripFilm) {
	ph := &j.Physics
	hs, hc := sincosDeg(ph.HeelAngle)
	extent := max(j.Plate.Width, j.Plate.Height)
	for k, pl := range [2]*plane{f.fine, f.wide} {
		for r := range pl.rows {
			p, step := j.lineOf(k == 1, r)
			last := p.Add(step.Mul(float64(pl.cols - 1)))
			inside := j.field.depth(p) > 4*j.field.penumbra && j.field.depth(last) > 4*j.field.penumbra // the field is convex
			line := pl.v[r*pl.cols : (r+1)*pl.cols]
			for c, a := range line {
				q := p.Add(step.Mul(float64(c)))
				v := float32(math.Exp(-float64(a)/(1+ph.Hardening*float64(a))) * (1 + ph.Heel*(hc*q.X+hs*q.Y)/extent))
				if !inside {
					v *= float32(1 / (1 + math.Exp(-2*j.field.depth(q)/j.field.penumbra)))
				}
				line[c] = v
			}
		}
	}
	scatter := f.wide.gaussian(ph.ScatterReach/j.unit, ph.ScatterReach/j.unit)
	sx, sy := StripAcross/2*j.unit, StripDown*j.unit
	f.fine = f.fine.gaussian(ph.FocalBlur/sx, ph.FocalBlur/sy)
	if ph.Tail > 0 {
		tail := float32(ph.Tail)
		f.spread(f.wide.gaussian(ph.TailReach/j.unit, ph.TailReach/j.unit), func(r int, fine, under []float32) {
			for c, v := range under {
				fine[c] += tail * (v - fine[c])
			}
		})
	}
	const pixel = 0.0225 // mm²
	per := ph.Quanta * sx * sy
	own := ph.Electronic * ph.Electronic * sx * sy / pixel
	noise := mix(j.Uint64())
	f.spread(scatter, func(r int, fine, under []float32) {
		for c, v := range fine {
			v += float32(ph.Scatter) * under[c]
			sd := math.Sqrt(float64(v)*per+own) / per
			fine[c] = v + gauss(noise+uint64(r*fineCols+c))*float32(sd)
		}
	})
	for i, v := range scatter.v {
		f.wide.v[i] += float32(ph.Scatter) * v
	}
	blur := math.Hypot(ph.DetectorBlur, 0.4*j.Plate.Spacing.Y) // with the pixels' own and their reading between them
	f.fine = f.fine.gaussian(blur/sx, blur/sy)
}

// develop is [stage.develop] of a strip, and what viewers do after it.
func (j *stripJob) develop(f *stripFilm) {
	st := &j.Style
	least := float32(max(0.3/(j.Physics.Quanta*0.0225), 2e-5))
	both := [2]*plane{f.fine, f.wide}
	if !st.Linear {
		for _, pl := range both {
			for i, v := range pl.v {
				pl.v[i] = -float32(math.Log(float64(max(v, least))))
			}
		}
	}
	var index, inside []int
	for r := 1; r < wideRows; r += 2 {
		p, step := j.lineOf(true, r)
		for c := r % 4 / 2; c < wideCols; c += 2 {
			if j.field.depth(p.Add(step.Mul(float64(c)))) > 3 {
				i := r*wideCols + c
				inside = append(inside, i)
				if !st.Linear && f.wide.v[i] > 0.8 {
					index = append(index, i)
				}
			}
		}
	}
	if len(index) < len(inside)/20 {
		index = inside
	}
	band := func(amount, mm float64) {
		if amount == 0 || mm == 0 {
			return
		}
		low := f.wide.gaussian(mm/j.unit, mm/j.unit)
		k := float32(amount)
		if mm < 2.5 {
			near := f.fine.gaussian(mm/(StripAcross/2*j.unit), mm/(StripDown*j.unit))
			for i, v := range f.fine.v {
				f.fine.v[i] += k * st.detail(v-near.v[i])
			}
		} else {
			f.spread(low, func(r int, fine, under []float32) {
				for c, v := range fine {
					fine[c] += k * st.detail(v-under[c])
				}
			})
		}
		for i, v := range f.wide.v {
			f.wide.v[i] += k * st.detail(v-low.v[i])
		}
	}
	if !st.Linear {
		if st.Equalise > 0 {
			band(st.Equalise/(1-st.Equalise), st.EqualiseMM)
		}
		band(st.Second, st.SecondMM)
		if j.chance(0.25) {
			for range 1 + j.IntN(3) {
				band(span{0.1, 1.2}.wide(j.Rand), span{0.4, 20}.wide(j.Rand))
			}
		}
		band(st.Edge, st.EdgeKernel)
	}
	lo, hi := j.quantiles(f.wide, index)
	if hi-lo <= 0 {
		hi = lo + 1
	}
	var table []float32
	if !st.Linear && (st.Sigmoid > 0 || st.Gamma != 1) {
		const n = 2048 // over −0.5 … 1.5
		table = make([]float32, n+2)
		for i := range table {
			u := float64(i)/n*2 - 0.5
			if st.Sigmoid > 0 {
				u = 1 / (1 + math.Exp(-st.Sigmoid*(u-0.5)))
			}
			if st.Gamma != 1 {
				u = math.Pow(max(u, 0), st.Gamma)
			}
			table[i] = float32(u)
		}
	}
	for _, pl := range both {
		for i, v := range pl.v {
			u := 0.08 + 0.84*(v-lo)/(hi-lo)
			if st.Linear {
				u = 1 - max(0, min(1, 0.8*v))
			} else if table != nil {
				q := max(0, min(2, u+0.5)) * 1024
				k := int(q)
				u = table[k] + (q-float32(k))*(table[k+1]-table[k])
			}
			pl.v[i] = max(0, min(1, u))
		}
	}
	if j.chance(0.6) {
		j.reprocess(f)
	}
}

// reprocess is [plane.reprocess] of a strip.
func (j *stripJob) reprocess(f *stripFilm) {
	if j.chance(0.3) {
		sd := span{8, 70}.wide(j.Rand) / j.unit
		share, kept := float32(j.even(0.3, 1)), float32(j.even(0, 0.7))
		mean := f.wide.gaussian(sd, sd)
		scale := newPlane(wideRows, wideCols)
		for i, v := range f.wide.v {
			scale.v[i] = (v - mean.v[i]) * (v - mean.v[i])
		}
		scale = scale.gaussian(sd, sd)
		for i, v := range scale.v {
			scale.v[i] = localSpread(v)
		}
		under := make([]float32, StripRows*fineCols)
		f.spread(mean, func(r int, fine, u []float32) { copy(under[r*fineCols:], u) })
		f.spread(scale, func(r int, fine, s []float32) {
			for c, v := range fine {
				if v <= 0 || v >= 1 {
					continue
				}
				m := under[r*fineCols+c]
				u := 0.5 + kept*(m-0.5) + (v-m)*s[c]
				fine[c] = max(0, min(1, v+share*(u-v)))
			}
		})
	}
	if table := lookUp(j.Rand); table != nil {
		f.fine.apply(table)
	}
}

// picture fills the strip's picture and returns it before it was stretched.
func (j *stripJob) picture(f *stripFilm, out []uint8) []float32 {
	v := make([]float32, StripRows*StripCols)
	levels := float32(int(1)<<min(j.Style.Bits, 12) - 1)
	if j.chance(0.15) {
		levels = 255
	}
	plate := j.Plate.grid()
	var fill float32
	if j.Field.Outside == MaskedWhite {
		fill = 1
	}
	lo, hi := float32(1), float32(0)
	for r := range StripRows {
		p, step := j.lineOf(false, r)
		first, last := plate.pixel(p), plate.pixel(p.Add(step.Mul(fineCols-1)))
		on := func(q geom.PointPx) bool {
			return q.X >= 0 && q.Y >= 0 && q.X <= float64(plate.cols-1) && q.Y <= float64(plate.rows-1)
		}
		all := on(first) && on(last)
		masked := j.Field.Outside != Scattered && (j.field.depth(p) < 0 || j.field.depth(p.Add(step.Mul(fineCols-1))) < 0)
		for c := range StripCols {
			i := r*fineCols + 2*c
			u := (f.fine.v[i] + f.fine.v[i+1]) / 2
			q := p.Add(step.Mul(2*float64(c) + 0.5))
			if masked && j.field.depth(q) < 0 {
				u = fill
			}
			u = float32(math.Round(float64(max(0, min(1, u))*levels))) / levels
			if !all && !on(plate.pixel(q)) {
				u = 0
			}
			v[r*StripCols+c] = u
			lo, hi = min(lo, u), max(hi, u)
		}
	}
	if hi <= lo {
		hi = lo + 1
	}
	for i, u := range v {
		out[i] = uint8(255*(u-lo)/(hi-lo) + 0.5)
	}
	return v
}
