package simulate

import "math"

// cementOverMetal is how much of the beam a bone cement takes away, of what metal
// of the same thickness does.
const cementOverMetal = 0.08

// trace returns the lengths in mm of cortical and cancellous bone, the latter
// weighted with its density, and of metal,
// along the ray o + t·d. near is a t close to the bone; pitch is the size of a
// pixel in mm.
func (b *bone) trace(o, d vec, near, pitch float64) (cortical, cancellous, metal float64) {
	var outer, inner [16]interval
	n, m := 0, 0
	z := o[2] + near*d[2]
	if z < b.lo-40 || z > b.hi+40 {
		return 0, 0, 0
	}
	for i := range b.metal {
		if off := abs(z-b.metal[i].c[2]) - 30; off > 0 && off*off > b.metal[i].reach || b.metal[i].misses(&o, &d) {
			continue
		}
		if v, _, ok := b.metal[i].cross(o, d); ok {
			metal += v.b - v.a
		}
	}
	for i := range b.cement {
		if v, _, ok := b.cement[i].cross(o, d); ok {
			metal += cementOverMetal * (v.b - v.a)
		}
	}
	var weight, length, extra float64
	c, hit := b.outer.cross(o, d, near)
	if hit {
		outer[0] = c.interval
		n = 1
		in, ok := b.inner.cross(o, d, (c.a+c.b)/2)
		i, f := b.inner.index(in.z)
		density := b.inner.st[i].density + f*(b.inner.st[i+1].density-b.inner.st[i].density)
		if ok {
			inner[0] = in.interval
			m = 1
			length = in.b - in.a
			weight = density * length
		}
		if in.curve > 0 && (ok || in.min >= 0) {
			extra = b.inner.softChord(in) - 2*math.Sqrt(math.Max(-in.min, 0)/in.curve)
			if m == 0 {
				weight, length = density*extra, extra
			}
		}
	}
	for i := range b.solids {
		s := &b.solids[i]
		if z < s.lo-25 || z > s.hi+25 || s.outer.misses(&o, &d) {
			continue
		}
		v, _, ok := s.outer.cross(o, d)
		if !ok {
			continue
		}
		outer[n] = v
		n++
		v, _, ok = s.inner.cross(o, d)
		if ok && s.proud && hit {
			// The cortex below goes on: only what stands out of the shaft is hollow.
			v, ok = outside(v, c.interval)
		}
		if ok {
			inner[m] = v
			m++
			length += v.b - v.a
			weight += s.density * (v.b - v.a)
		}
	}
	if n == 0 {
		return 0, 0, metal
	}
	whole := union(outer[:n])
	hollow := math.Max(0, math.Min(whole, union(inner[:m])+extra))
	cortical = whole - hollow
	if length > 0 {
		cancellous = hollow * weight / length
	}
	for i := range b.lines {
		if hit {
			cortical -= b.lines[i].gap(o, d, c.interval, pitch, cortical)
		}
	}
	for i := range b.voids {
		if v, _, ok := b.voids[i].cross(o, d); ok {
			cortical -= math.Min(cortical, v.b-v.a)
		}
	}
	return cortical, cancellous, metal
}

// outside returns the longer part of v that is not in w.
func outside(v, w interval) (interval, bool) {
	if v.b <= w.a || v.a >= w.b {
		return v, true
	}
	if w.a-v.a > v.b-w.b {
		v.b = w.a
	} else {
		v.a = w.b
	}
	return v, v.b > v.a
}

// gap returns how much of the cortical path along the part v of a ray is inside
// the lucent slab.
func (l *lucent) gap(o, d vec, v interval, pitch, cortical float64) float64 {
	p := o.at((v.a+v.b)/2, d)
	across := math.Abs(p.sub(l.at).dot(l.normal))
	share := math.Max(0, math.Min(1, (l.half-across)/pitch+0.5))
	return cortical * l.missing * share * math.Max(0, math.Min(1, (p[0]-l.inward)/pitch+0.5))
}
