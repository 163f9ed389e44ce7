package simulate

import (
	"math"
	"slices"
)

// expose turns attenuation into detected quanta over those of the open field:
// beam, scatter, blur and noise.
func (t *stage) expose(mu *plane, g grid) *plane {
	ph := t.Physics
	sx, sy := g.dx.Norm(), g.dy.Norm()
	hs, hc := sincosDeg(ph.HeelAngle)
	extent := max(t.Plate.Width, t.Plate.Height)
	rows(g.rows, func(r int) {
		line := mu.v[r*g.cols : (r+1)*g.cols]
		for c := range line {
			p := g.place(float64(c), float64(r))
			in := t.field.depth(p) / t.field.penumbra
			if in < -4 {
				line[c] = 0
				continue
			}
			a := float64(line[c])
			a /= 1 + ph.Hardening*a
			v := math.Exp(-a) * (1 + ph.Heel*(hc*p.X+hs*p.Y)/extent)
			if in < 4 {
				v *= 1 / (1 + math.Exp(-2*in))
			}
			line[c] = float32(v)
		}
	})
	// Scatter comes from afar: a small picture will do.
	k := max(1, int(4/math.Max(sx, sy)))
	small := mu.shrunk(k)
	wide := small.gaussian(ph.ScatterReach/(sx*float64(k)), ph.ScatterReach/(sy*float64(k)))
	sharp := ph.FocalBlur
	out := mu.gaussian(sharp/sx, sharp/sy)
	if ph.Tail > 0 {
		k2 := max(1, int(ph.TailReach/2/math.Max(sx, sy)))
		glare := mu.shrunk(k2)
		glare = glare.gaussian(ph.TailReach/(sx*float64(k2)), ph.TailReach/(sy*float64(k2)))
		if out == mu {
			out = &plane{mu.rows, mu.cols, slices.Clone(mu.v)}
		}
		rows(g.rows, func(r int) {
			line := out.v[r*g.cols : (r+1)*g.cols]
			for c := range line {
				line[c] += float32(ph.Tail) * (glare.enlarged(c, r, k2) - line[c])
			}
		})
	}
	per := ph.Quanta * sx * sy // quanta in an open pixel
	noise := mix(t.Seed)
	rows(g.rows, func(r int) {
		line := out.v[r*g.cols : (r+1)*g.cols]
		for c := range line {
			v := line[c] + float32(ph.Scatter)*wide.enlarged(c, r, k)
			n := gauss(noise + uint64(r*g.cols+c))
			sd := math.Sqrt((float64(v)*per + ph.Electronic*ph.Electronic)) / per
			line[c] = v + n*float32(sd)
		}
	})
	return out.gaussian(ph.DetectorBlur/sx, ph.DetectorBlur/sy)
}

// develop makes stored values in [0, 1], bone bright, from the exposure.
func (t *stage) develop(x *plane, g grid) *plane {
	st := &t.Style
	sx, sy := g.dx.Norm(), g.dy.Norm()
	per := t.Physics.Quanta * sx * sy
	least := float32(max(0.3/per, 2e-5))
	if !st.Linear {
		rows(g.rows, func(r int) {
			line := x.v[r*g.cols : (r+1)*g.cols]
			for c, v := range line {
				line[c] = -float32(math.Log(float64(max(v, least))))
			}
		})
	}
	tissue := t.tissue(x, g)
	band := func(amount, mm float64) {
		if amount == 0 || mm == 0 {
			return
		}
		k := max(1, int(mm/3/max(sx, sy)))
		small := x
		if k > 1 {
			small = x.shrunk(k)
		}
		low := small.gaussian(mm/(sx*float64(k)), mm/(sy*float64(k)))
		rows(g.rows, func(r int) {
			line := x.v[r*g.cols : (r+1)*g.cols]
			for c := range line {
				var m float32
				if k > 1 {
					m = low.enlarged(c, r, k)
				} else {
					m = low.v[r*g.cols+c]
				}
				line[c] += float32(amount) * st.detail(line[c]-m)
			}
		})
	}
	if !st.Linear {
		if st.Equalise > 0 {
			// Taking away a share q of the large structures and restoring the contrast.
			band(st.Equalise/(1-st.Equalise), st.EqualiseMM)
		}
		band(st.Second, st.SecondMM)
		band(st.Edge, st.EdgeKernel)
	}
	lo, hi := t.quantiles(x, tissue)
	span := hi - lo
	if span <= 0 {
		span = 1
	}
	rows(g.rows, func(r int) {
		line := x.v[r*g.cols : (r+1)*g.cols]
		for c, v := range line {
			u := 0.08 + 0.84*float64((v-lo)/span)
			if st.Linear {
				u = float64(v) * 0.8 // proportional to exposure
			} else if st.Sigmoid > 0 {
				u = 1 / (1 + math.Exp(-st.Sigmoid*(u-0.5)))
			}
			if st.Gamma != 1 && !st.Linear {
				u = math.Pow(max(u, 0), st.Gamma)
			}
			line[c] = float32(max(0, min(1, u)))
		}
	})
	if st.Linear {
		for i, v := range x.v {
			x.v[i] = 1 - v
		}
	}
	t.mask(x, g)
	return x
}

// detail is what the processing makes of a difference of attenuation before it
// amplifies it.
func (st *Style) detail(d float32) float32 {
	if st.Power == 1 || d == 0 {
		return d
	}
	const unit = 0.1
	return float32(math.Copysign(unit*math.Pow(math.Abs(float64(d))/unit, st.Power), float64(d)))
}

// tissue returns the pixels, out of an even sample, that the body covers inside
// the field: those the vendor's window is set by.
func (t *stage) tissue(x *plane, g grid) []int {
	var all, covered []int
	step := max(1, int(math.Sqrt(float64(g.rows*g.cols)/20000)))
	for r := step / 2; r < g.rows; r += step {
		for c := step / 2; c < g.cols; c += step {
			if t.field.depth(g.place(float64(c), float64(r))) > 3 {
				i := r*g.cols + c
				all = append(all, i)
				if v := x.v[i]; !t.Style.Linear && v > 0.8 {
					covered = append(covered, i)
				}
			}
		}
	}
	if len(covered) < len(all)/20 {
		return all
	}
	return covered
}

// quantiles returns the values of the sampled pixels that the look-up maps near
// its ends.
func (t *stage) quantiles(x *plane, sample []int) (lo, hi float32) {
	if len(sample) == 0 {
		return 0, 1
	}
	v := make([]float32, len(sample))
	for i, p := range sample {
		v[i] = x.v[p]
	}
	at := func(q float64) float32 { return selected(v, int(q*float64(len(v)-1))) }
	return at(t.Style.Low), at(t.Style.High)
}

// selected returns the value that place k of v would hold if v were sorted, and
// reorders v (Hoare, Comm. ACM 4 (1961) 321).
func selected(v []float32, k int) float32 {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		if k <= j {
			hi = j
		} else if k >= i {
			lo = i
		} else {
			break
		}
	}
	return v[k]
}

// mask blanks what is outside the field, if the vendor does so.
func (t *stage) mask(x *plane, g grid) {
	if t.Field.Outside == Scattered {
		return
	}
	var v float32
	if t.Field.Outside == MaskedWhite {
		v = 1
	}
	rows(g.rows, func(r int) {
		for c := range g.cols {
			if t.field.depth(g.place(float64(c), float64(r))) < 0 {
				x.v[r*g.cols+c] = v
			}
		}
	})
}

// Render makes the film and its truth. The same scene gives the same film.
func (s Scene) Render() Film {
	t := s.stage()
	g := s.Plate.grid()
	mu := t.exposure(g)
	t.lead(mu, g)
	x := t.develop(t.expose(mu, g), g)
	t.stamp(x, g)
	t.paint(x, g)
	f := Film{Rows: g.rows, Cols: g.cols, Bits: s.Style.Bits, Monochrome1: s.Style.Inverted, Facts: s.Facts}
	f.Pixels = make([]uint16, len(x.v))
	top := float32(int(1)<<s.Style.Bits - 1)
	for i, v := range x.v {
		if s.Style.Inverted {
			v = 1 - v
		}
		f.Pixels[i] = uint16(v*top + 0.5)
	}
	f.Truth = t.truth(g)
	return f
}
