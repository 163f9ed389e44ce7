package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

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
