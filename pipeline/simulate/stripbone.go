package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

var softShells = []float64{0.4, 0.2, 0, -0.2, -0.4}

// boneCut is the bone in the section that a row of a strip is seen through: the outer
// surface and the middle one of the inner shells, and by column the chords through the
// whole, through the canal, and through what a young callus adds to the bone; nil for none.
type boneCut struct {
	section
	outer, inner         *loop
	whole, hollow, young []float64
}

// cut cuts the bone along a row from p, step apart; coarse rows have one inner shell and
// no callus.
func (j *stripJob) cut(p, step geom.PointMM, coarse bool, rings *polarLine, buf *[4][]float64, n int) boneCut {
	whole, hollow, middle, young := buf[0][:n], buf[1][:n], buf[2][:n], buf[3][:n]
	du := step.Norm()
	a := step.Mul(1 / du)
	s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
	shells := softShells
	if coarse {
		shells = softShells[2:3]
	}
	outer := rings.ring[len(shells) : len(shells)+1]
	s.cut(j.p, j.p.out, []float64{0}, outer)
	s.cut(j.p, j.p.in, shells, rings.ring[:len(shells)])
	clear(whole)
	clear(hollow)
	outer[0].chords(whole, du, 1)
	if len(j.focal) > 0 && j.young < 1 && !coarse {
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
	return boneCut{s, &outer[0], &rings.ring[len(shells)/2], whole, hollow, young}
}

// bone lays the attenuation of the bone, and the metal on it, over a row. hidden, where
// metal is noted, is nil for a coarse row, which has no lines, no holes and no grain of
// the cortex either.
func (j *stripJob) bone(line []float32, hidden []float32, p, step geom.PointMM, rings *polarLine, buf *[4][]float64) {
	fine := hidden != nil
	s := j.cut(p, step, !fine, rings, buf, len(line))
	ph, du := &j.Physics, step.Norm()
	z := s.z(j.leg.centreAt(j.p, s.p[2]))
	z = s.z(j.leg.centreAt(j.p, z))
	dense := j.p.dense[max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))]
	src := j.Beam.source()
	bs := j.leg.place.body(src)
	tex := texture(ph.TextureSeed)
	near := j.leg.place.at[2] / j.Beam.SID
	solids, metal := j.solidsAt(z), closeTo(j.metal, z)
	var voids []*quadric
	var lines []lucent
	if fine {
		voids, lines = closeTo(j.voids, z), j.linesAt(z)
	}
	canal, _ := s.inner.edges()
	canal /= j.unit
	rays := len(solids)+len(metal)+len(voids)+len(lines) > 0
	for c := range line {
		q := p.Add(step.Mul(float64(c)))
		dx, dy := q.X-src[0], q.Y-src[1]
		dist := math.Sqrt(dx*dx + dy*dy + src[2]*src[2])
		slant := dist / src[2]
		w, h := abs(s.whole[c])*slant, s.hollow[c]*slant
		h = min(h, w)
		cort, canc := w-h, dense*h
		if s.young != nil {
			cort -= min(cort, max(0, (1-j.young)*s.young[c]*slant))
		}
		var o, d vec
		if rays {
			o = j.leg.place.body(vec{q.X, q.Y, 0})
			d = bs.sub(o).mul(1 / dist)
		}
		if len(solids) > 0 {
			cort, canc = mixSolids(solids, o, d, s.outer, s.inner, du*float64(c), slant, w, h, dense)
		}
		if w > 0 && len(lines) > 0 {
			if lo, hi, hit := s.outer.heights(du * float64(c)); hit {
				m := o.at((lo+hi)/2*slant, d)
				for k := range lines {
					cort -= j.missing(&lines[k], cort, m)
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
			if fine {
				cort = j.grain(cort, m, tex, du*float64(c)/j.unit-canal)
			}
			line[c] += float32(ph.Cortical*cort + ph.Cancellous*canc*(1+ph.Texture*n))
		}
		for k := range metal {
			if v, _, ok := metal[k].cross(o, d); ok {
				line[c] += float32(ph.Metal * (v.b - v.a))
				if fine {
					hidden[c] = 1
				}
			}
		}
	}
}

// solidsAt returns the parts that stand out of the shaft near the level z.
func (j *stripJob) solidsAt(z float64) (out []*solid) {
	for k := range j.solids {
		if q := &j.solids[k]; z > q.lo-6 && z < q.hi+6 {
			out = append(out, q)
		}
	}
	return out
}

// linesAt returns the dark lines near the level z.
func (j *stripJob) linesAt(z float64) (out []lucent) {
	for _, l := range j.lines {
		if abs(vec{0, 0, z}.sub(vec{0, 0, l.at[2]}).dot(l.normal)) < l.half+12 {
			out = append(out, l)
		}
	}
	return out
}

// missing is how much of a path through the cortex at m the line takes away.
func (j *stripJob) missing(l *lucent, cort float64, m vec) float64 {
	const pitch = StripDown
	across := m.sub(l.at).dot(l.normal)
	half := l.half * (1 - j.taper*max(0, min(1, (l.at[0]-m[0])/(l.at[0]-l.inward))))
	share := max(0, min(across+pitch/2, half)-max(across-pitch/2, -half)) / pitch
	return cort * l.missing * share * max(0, min(1, (m[0]-l.inward)/0.3+0.5))
}

// grain returns a path through cortical bone with its pores, and with the bone that
// streaks the canal: below is how far below the canal's edge it lies, mm.
func (j *stripJob) grain(cort float64, m vec, tex *tile, below float64) float64 {
	if j.pores > 0 {
		cort *= 1 + j.pores*tex.at((m[0]+0.4*m[1])/j.poreSize+17, m[2]/(20*j.poreSize))
	}
	if below > 0 && below < 4*j.streaks.deep {
		cort += max(0, j.streaks.bone*math.Exp(-below/j.streaks.deep)*tex.at((m[0]+0.4*m[1])/j.streaks.across+53, m[2]/j.streaks.along))
	}
	return cort
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
func mixSolids(solids []*solid, o, d vec, outer, inner *loop, u, slant, w, h, dense float64) (cort, canc float64) {
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
