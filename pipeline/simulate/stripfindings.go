package simulate

import "math"

// confound adds what may be taken for a thickening, or hides or disturbs one.
func (j *stripJob) confound(middle, reach float64) {
	shape := func() Shape { return Shape(j.IntN(3)) }
	level := func() float64 { return j.even(middle-reach, middle+reach) }
	var k []knob
	rich := 1.0
	if j.chance(0.35) {
		rich = 0 // a plain bone
	}
	if j.chance(0.4*rich) && middle-reach < 70 {
		k = append(k, knob{Bump{j.even(15, 65), span{0.4, 2.2}.wide(j.Rand), j.even(40, 85), Bell, j.even(-0.5, 0.5)}, 1, j.even(-45, 0), j.even(1, 4)})
	}
	if j.chance(0.12 * rich) { // callus
		b := Bump{level(), span{0.5, 3.5}.wide(j.Rand), j.even(10, 45), shape(), j.even(-0.5, 0.5)}
		k = append(k, knob{b, j.even(0.6, 1), 0, 0})
	}
	if j.chance(0.15 * rich) { // medial
		k = append(k, knob{Bump{level(), span{0.5, 3.5}.wide(j.Rand), j.even(10, 45), shape(), j.even(-0.5, 0.5)}, 1, 180 + j.even(-20, 20), j.even(1, 3)})
	}
	if j.chance(0.25 * rich) { // long and low
		k = append(k, knob{Bump{level(), span{0.4, 2.5}.wide(j.Rand), j.even(85, 170), Bell, j.even(-0.4, 0.4)}, []float64{0, 1, j.Float64()}[j.IntN(3)], j.even(-30, 30), j.even(1, 3)})
	}
	if j.chance(0.15 * rich) { // a shallow dent outside, long
		k = append(k, knob{Bump{level(), -span{0.3, 1.5}.wide(j.Rand), j.even(50, 140), Bell, j.even(-0.4, 0.4)}, 1, j.even(-30, 30), j.even(1, 3)})
	}
	if j.chance(0.25 * rich) { // scalloped inside
		for range 1 + j.IntN(4) {
			k = append(k, knob{Bump{level(), -span{0.15, 0.8}.wide(j.Rand), j.even(6, 24), Bell, 0}, 0, j.even(-40, 40), j.even(1, 6)})
		}
	}
	if j.chance(0.25) { // thick on both sides
		k = append(k, knob{Bump{j.even(80, 0.6*j.leg.Anatomy.Length), j.even(0.3, 2.5), j.even(120, 220), Plateau, 0}, 0, 0, 0})
	}
	for i := range k {
		k[i].Around += j.side
	}
	j.p.raise(k)
	if j.chance(0.5) {
		j.p.roughen(texture(j.Uint64()), 0.12*j.Float64()*j.Float64(), 0.45*j.Float64()*j.Float64(), span{3, 14}.wide(j.Rand))
	}
	if rich > 0 || j.chance(0.4) {
		j.wear()
	}
	if j.chance(0.3) {
		j.void(level(), j.even(18, 45), j.even(0.25, 0.6), j.side+j.even(40, 180), j.even(6, 22))
	}
	if j.chance(0.06) { // holes of screws that are gone
		z, r := level(), j.even(1, 2.4)
		for range 1 + j.IntN(4) {
			i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
			x, y := j.p.cx[i], j.p.cy[i]+j.even(-4, 4)
			outer, inner := float64(j.p.out[i*polarAngles]), float64(j.p.in[i*polarAngles])
			j.voids = append(j.voids, cylinder(vec{x + outer + 2, y, z}, vec{x + inner - 0.3, y, z + j.even(-1, 1)}, r))
			z += j.even(12, 24)
		}
	}
}

// centreAt is the centre line of p at z.
func (l *stagedLeg) centreAt(p *polar, z float64) (x, y float64) {
	i := max(0, min(int((z-p.z0)/polarStep), p.n-1))
	return p.cx[i], p.cy[i]
}

// void bores a steep channel through the wall around degrees from lateral.
func (j *stripJob) void(z, long, r, around, steep float64) {
	i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
	sn, cs := sincosDeg(-around)
	a := (int(math.Round(-around/360*polarAngles)) + polarAngles) % polarAngles
	half := float64(j.p.out[i*polarAngles+a]+j.p.in[i*polarAngles+a]) / 2
	out := vec{cs, sn, 0}
	c := vec{j.p.cx[i], j.p.cy[i], z}.add(out.mul(half))
	st, ct := sincosDeg(steep)
	along := vec{0, 0, 1}.mul(ct).add(out.mul(st))
	side := along.cross(out).unit()
	j.voids = append(j.voids, ellipsoid(c, mat{along, side, along.cross(side)}, vec{long / 2, r, r}))
}

// thicken adds focal thickenings, some with a lucent line, to more than half of
// the strips; some others have a line alone.
func (j *stripJob) thicken(middle, reach, flare float64) {
	lo, hi := max(22, middle-0.97*reach), min(flare-2, middle+0.97*reach)
	if hi <= lo {
		return
	}
	j.taper, j.young = j.even(0, 0.8), 1
	if j.chance(0.3) {
		j.young = j.even(0.45, 0.95)
	}
	n := 0
	if j.chance(0.56) {
		n = 1
		if j.chance(0.14) {
			n = 2
		}
	}
	if n == 0 && j.chance(0.14) {
		j.line(knob{Bump: Bump{Level: j.even(lo, hi), Length: 10}})
	}
	for range n {
		k := knob{Bump: Bump{Level: j.even(lo, hi), Height: span{0.5, 1.6}.wide(j.Rand), Length: span{6, 45}.wide(j.Rand),
			Shape: []Shape{Bell, Bell, Beak, Plateau}[j.IntN(4)], Skew: j.even(-0.75, 0.75)},
			Outer: 1, Around: 14 * j.NormFloat64(), Narrow: span{0.6, 5}.wide(j.Rand)}
		if j.chance(0.3) {
			k.Height = span{0.3, 4.5}.wide(j.Rand)
		}
		if k.Length > 22 { // long ones are seldom low
			k.Height = max(k.Height, span{0.5, 3}.wide(j.Rand))
		}
		switch v := j.Float64(); {
		case v < 0.4:
			k.Outer = 0
		case v < 0.7:
			k.Outer = j.Float64()
		}
		j.focal = append(j.focal, k)
		if j.chance(0.35) {
			j.line(k)
		}
		if j.chance(0.2) { // its other hump
			k.Height *= j.even(0.3, 1)
			k.Level += k.Length * j.even(-1, 1)
			k.Length *= j.even(0.4, 1)
			if hi > k.Level && k.Level > lo {
				j.focal = append(j.focal, k)
			}
		}
	}
	j.p.raise(j.focal)
}

// line adds a lucent line near the summit of k.
func (j *stripJob) line(k knob) {
	z := k.Level + 0.12*k.Length*j.NormFloat64()
	i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
	a := (int(math.Round(k.Around/360*polarAngles)) + polarAngles) % polarAngles
	outer, inner := float64(j.p.out[i*polarAngles+a])+k.at(z)*k.Outer, float64(j.p.in[i*polarAngles+a])-k.at(z)*(1-k.Outer)
	sn, cs := sincosDeg(j.even(-25, 25))
	depth := j.even(0.25, 1)
	if j.chance(0.25) {
		depth = 1
	}
	j.lines = append(j.lines, lucent{vec{j.p.cx[i] + outer, j.p.cy[i], z}, vec{sn, 0, cs}, span{0.2, 1.5}.wide(j.Rand) / 2,
		j.p.cx[i] + outer - depth*(outer-inner), j.even(0.5, 1)})
}
