package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure"
)

// Anatomy is the shape of one femur. Lengths are in mm, angles in degrees.
type Anatomy struct {
	Side      measure.Side
	Length    float64 // from the lesser trochanter's tip to the joint line
	Girth     float64 // factor on every transverse length
	HalfX     float64 // half of the outer width at the isthmus, coronal
	HalfY     float64 // the same, sagittal
	Isthmus   float64 // level of the isthmus as a fraction of Length
	Thickness float64 // mean cortical thickness at the isthmus
	Medial    float64 // factor on the medial cortex
	Lateral   float64 // factor on the lateral cortex
	Taper     float64 // how fast the cortices thin towards the ends; 1 is usual
	Flare     float64 // factor on how far the proximal metaphysis widens
	Knee      float64 // factor on the distal metaphysis' width
	FlareAt   float64 // where the supracondylar flare begins, as a fraction of Length

	CoronalBow  float64 // curvature per metre, + apex lateral
	SagittalBow float64 // curvature per metre, + apex anterior
	BowSkew     float64 // −1 … 1: more curved proximally … distally
	Wobble      float64 // irregularity of the endosteal surface in mm

	Lobe, Ridge float64 // three-lobed term and linea aspera, fractions of the half-width
	Square      float64 // four-lobed term, fraction of the half-width
	Soft        float64 // factor on the width of the inner edge's transition

	NeckShaft    float64 // between the neck and the straight proximal shaft
	Anteversion  float64
	HeadRadius   float64
	NeckRadius   float64 // at the waist, coronal
	NeckLength   float64 // from the shaft's axis to the head's centre
	Trochanter   float64 // height of the lesser trochanter above the shaft
	TrochanterAt float64 // its direction, degrees behind medial
	Greater      float64 // factor on the greater trochanter

	LateralAngle float64 // anatomic lateral distal femoral angle of the condyles' tangent
	Condyles     float64 // half-distance of the condyles' centres
	Joint        Joint

	Density float64 // factor on cancellous bone
	Focal   []Focal // focal thickenings of the lateral cortex
	Relief  Relief  // what may be taken for one
	Noise   uint64  // seed of the surface's small irregularities
}

// Focal is a focal thickening of the lateral cortex with, if LineWidth > 0, a
// lucent line through it.
type Focal struct {
	Bump              // its height is over the cortex's own baseline
	Outer     float64 // share of the height outside: 1 periosteal, 0 endosteal
	LineWidth float64 // mm
	LineDepth float64 // fraction of the cortex, from outside
	LineAngle float64 // degrees from square to the shaft
	LineBone  float64 // part of the bone that is missing in the line
}

// knots is a function of z given at places; between them it is a monotone cubic.
type knots struct{ z, v []float64 }

// at evaluates the monotone cubic interpolant (Fritsch and Carlson, SIAM J.
// Numer. Anal. 17 (1980) 238–246, with the harmonic-mean slopes of Brodlie).
func (k knots) at(z float64) float64 {
	n := len(k.z)
	if z <= k.z[0] {
		return k.v[0]
	}
	if z >= k.z[n-1] {
		return k.v[n-1]
	}
	i := 0
	for z > k.z[i+1] {
		i++
	}
	slope := func(i int) float64 { return (k.v[i+1] - k.v[i]) / (k.z[i+1] - k.z[i]) }
	tangent := func(i int) float64 {
		if i == 0 || i == n-1 {
			return 0
		}
		a, b := slope(i-1), slope(i)
		if a*b <= 0 {
			return 0
		}
		return 2 * a * b / (a + b)
	}
	h := k.z[i+1] - k.z[i]
	t := (z - k.z[i]) / h
	return k.v[i]*(1+2*t)*(1-t)*(1-t) + h*tangent(i)*t*(1-t)*(1-t) +
		k.v[i+1]*t*t*(3-2*t) - h*tangent(i+1)*t*t*(1-t)
}

// solid is a part of a bone with its wall: what is inside inner is cancellous.
type solid struct {
	outer, inner quadric
	density      float64 // of its cancellous bone
	lo, hi       float64 // z it can reach, so that other rays need not ask
	proud        bool    // sits on the shaft, whose cortex goes on below it
}

func newSolid(q quadric, wall, density float64) solid {
	b := q.bound()
	return solid{outer: q, inner: q.inset(wall), density: density, lo: q.c[2] - b, hi: q.c[2] + b}
}

// bone is a femur in its body frame.
type bone struct {
	outer, inner tube
	solids       []solid
	lines        []lucent
	metal        []quadric
	cement       []quadric
	voids        []quadric // channels without bone
	lo, hi       float64   // z that any part of it reaches

	head, waist, lesser, greater  int // which of solids
	condyleLateral, condyleMedial int
	neckAxis                      vec // unit, towards the head
	flareZ, length, topZ          float64
}

// bounded sets lo and hi.
func (b *bone) bounded() *bone {
	b.lo, b.hi = b.outer.z0, b.outer.z1()
	for i := range b.solids {
		b.lo, b.hi = min(b.lo, b.solids[i].lo), max(b.hi, b.solids[i].hi)
	}
	return b
}

// lucent is a slab without bone through the lateral cortex.
type lucent struct {
	at, normal vec // normal is across the slab
	half       float64
	inward     float64 // x up to which the slab reaches, from outside
	missing    float64 // part of the bone that is not there
}

// build makes the surfaces of a.
func (a Anatomy) build() *bone {
	b := &bone{length: a.Length}
	g, top := a.Girth, -50*a.Girth
	z := func(f float64) float64 { return f * a.Length }
	is, fl := z(a.Isthmus), z(a.FlareAt)
	x, y := a.HalfX, a.HalfY
	f := a.Flare * g
	k := a.Knee * g
	end := a.Length - 9*g

	// Levels between the isthmus and the flare, and between the flare and the end.
	up := func(f float64) float64 { return is + f*(fl-is) }
	down := func(f float64) float64 { return fl + f*(end-fl) }
	high := min(70, is-12)

	// Outer half-widths, by distance from the centre line.
	lateral := knots{[]float64{top, top + 5, top + 13, -22, 0, 35, high, is, up(0.38), up(0.83), fl, down(0.24), down(0.5), down(0.83), down(0.94), end},
		[]float64{0.5, 9 * g, 17 * g, x + 5.2*f, x + 3.2*f, x + 1.8*f, x + 0.8, x, x + 0.3, x + 1.4*k, x + 3.4*k, x + 8.5*k, x + 16*k, x + 19*k, x + 10*k, 4}}
	medial := knots{[]float64{top, top + 8, top + 15, -22, -8, 8, 35, high, is, up(0.38), up(0.83), fl, down(0.24), down(0.5), down(0.83), down(0.94), end},
		[]float64{0.5, 8 * g, 13 * g, x + 14*f, x + 8*f, x + 4.6*f, x + 2*f, x + 0.8, x, x + 0.3, x + 1.6*k, x + 4*k, x + 10*k, x + 19*k, x + 21*k, x + 12*k, 4}}
	front := knots{[]float64{top, top + 8, -28, 0, 40, is, up(0.83), fl, down(0.35), down(0.83), end},
		[]float64{0.5, 9 * g, 14 * g, y + 1.5*g, y + 0.6, y, y + 1.2*k, y + 2.2*k, y + 5*k, y + 9*k, 4}}
	back := knots{[]float64{top, top + 8, -28, 0, 40, is, up(0.83), fl, down(0.35), down(0.83), end},
		[]float64{0.5, 10 * g, 16 * g, y + 2.5*g, y + 1.1, y + 0.5, y + 1.2*k, y + 2.2*k, y + 7*k, y + 16*k, 4}}

	wall := a.walls()
	soft := a.softness()
	cancellous := a.cancellous()

	r := rand.New(rand.NewPCG(a.Noise, 0xfe))
	wob := [4]wave{newWave(r, a.Wobble), newWave(r, a.Wobble), newWave(r, a.Wobble), newWave(r, a.Wobble)}
	per := newWave(r, 0.25*a.Wobble)

	n := int(math.Ceil((end-top)/tubeStep)) + 1
	b.outer = tube{z0: top, st: make([]station, n)}
	b.inner = tube{z0: top, st: make([]station, n)}
	for i := range n {
		z := top + tubeStep*float64(i)
		o := &b.outer.st[i]
		o.cx, o.cy = a.centre(z)
		p := per.at(z)
		o.xp, o.xn, o.yp, o.yn = lateral.at(z)+p, medial.at(z)+p, front.at(z)+p, back.at(z)+p
		fade := smooth((z + 20) / 40)
		o.three, o.four, o.ridge = a.Lobe, a.Square*fade*smooth((fl-z)/60), a.Ridge*fade*smooth((fl-z)/40)
	}
	b.outer.relax(6)
	for i := range n {
		z := top + tubeStep*float64(i)
		o, in := b.outer.st[i], &b.inner.st[i]
		*in = o
		in.xp = o.xp - wall[0].at(z) - wob[0].at(z)
		in.xn = o.xn - wall[1].at(z) - wob[1].at(z)
		in.yp = o.yp - wall[2].at(z) - wob[2].at(z)
		in.yn = o.yn - wall[3].at(z) - wob[3].at(z)
		in.three, in.four, in.ridge = -0.4*o.three, 0.5*o.four, 0
		in.soft = a.Soft * soft.at(z)
		in.density = cancellous.at(z)
	}
	b.inner.relax(3)
	for i := range n {
		z := top + tubeStep*float64(i)
		o, in := &b.outer.st[i], &b.inner.st[i]
		for _, f := range a.Focal {
			h := f.at(z)
			o.xp += h * f.Outer
			in.xp -= h * (1 - f.Outer)
		}
		a.Relief.raise(z, o, in, fl)
		in.xp, in.xn = atLeast(in.xp, o.xp), atLeast(in.xn, o.xn)
		in.yp, in.yn = atLeast(in.yp, o.yp), atLeast(in.yn, o.yn)
	}
	for _, f := range a.Focal {
		if f.LineWidth > 0 {
			st := b.outer.st[int((f.Level-top)/tubeStep)]
			s := math.Sin(f.LineAngle * math.Pi / 180)
			c := math.Cos(f.LineAngle * math.Pi / 180)
			wall := st.xp - b.inner.st[int((f.Level-top)/tubeStep)].xp
			b.lines = append(b.lines, lucent{vec{st.cx + st.xp, st.cy, f.Level}, vec{s, 0, c},
				f.LineWidth / 2, st.cx + st.xp - f.LineDepth*wall, f.LineBone})
		}
	}
	a.Relief.bore(b)
	a.proximal(b)
	a.distal(b)
	b.topZ = top
	b.flareZ = fl
	return b.bounded()
}

// walls returns the cortical thickness in mm by z on the lateral, medial,
// anterior and posterior side.
func (a Anatomy) walls() (w [4]knots) {
	g, top := a.Girth, -62*a.Girth
	is, fl, end := a.Isthmus*a.Length, a.FlareAt*a.Length, a.Length-9*g
	level := []float64{top, 0.65 * top, -22, 0, 30, 60, is, is + 0.45*(fl-is), fl - 0.27*(fl-is), fl, fl + 0.3*(end-fl), end}
	// Shares of the thickness at the isthmus.
	for i, v := range [4][]float64{
		{.18, .2, .3, .55, .78, .92, 1, .95, .72, .46, .26, .16},
		{.18, .3, .62, .84, .95, 1.0, 1, .97, .75, .48, .27, .16},
		{.18, .2, .3, .5, .68, .78, .82, .8, .62, .42, .25, .16},
		{.18, .25, .4, .7, .9, 1.04, 1.1, 1.05, .8, .5, .27, .16}} {
		t := a.Thickness * [4]float64{a.Lateral, a.Medial, 1, 1}[i]
		for k := range v {
			if v[k] < 1 {
				v[k] = math.Pow(v[k], a.Taper)
			}
			v[k] *= t
		}
		w[i] = knots{level, v}
	}
	return w
}

// softness returns the width in mm of the inner edge's transition by z.
func (a Anatomy) softness() knots {
	is, fl, end := a.Isthmus*a.Length, a.FlareAt*a.Length, a.Length-9*a.Girth
	return knots{[]float64{-30, 0, 30, 0.7 * is, is, fl - 0.3*(fl-is), fl, end}, []float64{2.2, 1.9, 1.3, .6, .3, .5, 1.1, 1.8}}
}

// cancellous returns the relative density of what is inside the bone by z.
func (a Anatomy) cancellous() knots {
	is, fl, end := a.Isthmus*a.Length, a.FlareAt*a.Length, a.Length-9*a.Girth
	k := knots{[]float64{-40, -10, 25, 60, is, fl - 0.3*(fl-is), fl, end}, []float64{.9, .75, .45, .18, .06, .12, .45, .9}}
	for i := range k.v {
		k.v[i] *= a.Density
	}
	return k
}

// centre is the shaft's centre line at z: arcs whose curvature may differ
// between the proximal and the distal half.
func (a Anatomy) centre(z float64) (x, y float64) {
	m := 0.45 * a.Length
	u := (z - m) / 1000
	v := -u * u / 2 * (1 + a.BowSkew*1000*u/(3*a.Length)) // its second derivative is −(1 + skew·u/Length)
	return 1000 * a.CoronalBow * v, 1000 * a.SagittalBow * v
}

// proximal adds head, neck and trochanters.
func (a Anatomy) proximal(b *bone) {
	g := a.Girth
	cx, cy := a.centre(-22 * g)
	dx, dy := a.centre(-22*g + 40)
	shaft := vec{dx - cx, dy - cy, 40}.unit() // distal
	nsa, av := a.NeckShaft*math.Pi/180, a.Anteversion*math.Pi/180
	across := vec{-math.Cos(av), math.Sin(av), 0}
	across = across.sub(shaft.mul(across.dot(shaft))).unit()
	axis := shaft.mul(math.Cos(nsa)).add(across.mul(math.Sin(nsa))) // towards the head
	base := vec{cx + 2*g, cy, -22 * g}
	head := base.add(axis.mul(a.NeckLength))
	b.neckAxis = axis

	add := func(s solid) int { b.solids = append(b.solids, s); return len(b.solids) - 1 }
	t := math.Max(0.6, 0.16*a.Thickness)
	d := a.Density
	b.head = add(newSolid(sphere(head, a.HeadRadius), t, 1.15*d))
	w := base.add(axis.mul(0.58 * a.NeckLength))
	e1 := shaft.sub(axis.mul(shaft.dot(axis))).unit()
	b.waist = add(newSolid(neck(w, axis, e1, a.NeckRadius, 0.82*a.NeckRadius, 1/(26*26*g*g),
		interval{-0.62 * a.NeckLength, 0.42 * a.NeckLength}), 2.2*t, 0.95*d))

	gt := vec{cx + 11*g, cy - 4*g, -35 * g}
	tilt := 0.25
	b.greater = add(newSolid(ellipsoid(gt, mat{{math.Cos(tilt), 0, math.Sin(tilt)}, {0, 1, 0}, {-math.Sin(tilt), 0, math.Cos(tilt)}},
		vec{12 * g * a.Greater, 14 * g, 27 * g * a.Greater}), t, 0.7*d))
	// The trochanteric mass between the neck and the shaft.
	add(newSolid(ellipsoid(vec{cx - 2*g, cy - 1*g, -27 * g}, mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		vec{19 * g, 12.5 * g, 20 * g}), 1.2*t, 0.8*d))

	lx, ly := a.centre(0)
	st := b.outer.st[int((0-b.outer.z0)/tubeStep)]
	back := a.TrochanterAt * math.Pi / 180
	out := vec{-math.Cos(back), -math.Sin(back), 0.12}.unit()
	r := 1 / math.Hypot(math.Cos(back)/st.xn, math.Sin(back)/st.yn)
	long := 16 * g
	c := vec{lx, ly, 0}.add(out.mul(r + a.Trochanter - long))
	c[2] = 0
	up := vec{0, 0, 1}
	side := out.cross(up).unit()
	b.lesser = add(newSolid(ellipsoid(c, mat{out, side, side.cross(out)}, vec{long, 10 * g, 15 * g}), 2*t, 0.7*d))
	b.solids[b.lesser].proud = true
}

// atLeast keeps a medullary half-width inside the bone and the canal open.
func atLeast(inner, outer float64) float64 {
	return math.Max(math.Min(inner, outer-0.5), math.Min(1.8, 0.6*outer))
}

// relax smooths the half-widths along z with a box of 2n+1 stations, thrice.
func (t *tube) relax(n int) {
	field := []func(*station) *float64{
		func(s *station) *float64 { return &s.xp }, func(s *station) *float64 { return &s.xn },
		func(s *station) *float64 { return &s.yp }, func(s *station) *float64 { return &s.yn }}
	v := make([]float64, len(t.st))
	for _, f := range field {
		for i := range t.st {
			v[i] = *f(&t.st[i])
		}
		for range 3 {
			v = boxMean(v, n)
		}
		for i := range t.st {
			*f(&t.st[i]) = v[i]
		}
	}
}

func boxMean(v []float64, n int) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		m := min(n, i, len(v)-1-i)
		s := 0.0
		for _, x := range v[i-m : i+m+1] {
			s += x
		}
		out[i] = s / float64(2*m+1)
	}
	return out
}

// smooth is the smooth step from 0 at 0 to 1 at 1.
func smooth(t float64) float64 {
	t = math.Max(0, math.Min(1, t))
	return t * t * (3 - 2*t)
}

// wave is a sum of sines: a smooth irregular function of z.
type wave struct{ a, k, p [4]float64 }

// newWave has standard deviation sd and wavelengths of 14 … 90 mm.
func newWave(r *rand.Rand, sd float64) (w wave) {
	for i := range w.a {
		w.a[i] = sd * math.Sqrt(2.0/float64(len(w.a)))
		w.k[i] = 2 * math.Pi / (14 * math.Pow(90.0/14, r.Float64()))
		w.p[i] = 2 * math.Pi * r.Float64()
	}
	return w
}

func (w *wave) at(z float64) float64 {
	s := 0.0
	for i := range w.a {
		s += w.a[i] * math.Sin(w.k[i]*z+w.p[i])
	}
	return s
}
