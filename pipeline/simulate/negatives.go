package simulate

import (
	"math"
	"math/rand/v2"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// NegativeGroup is the group of pictures that show no femur; each film's Content
// names its kind.
const NegativeGroup = "negative"

// negatives are the kinds of pictures without a femur.
var negatives = []string{"thigh_soft", "lower_leg", "lower_leg", "forearm", "forearm", "humerus", "humerus", "hand", "foot", "chest", "skull", "spine",
	"blank", "saturated", "noise", "form",
	"ankle", "elbow", "shoulder", "finger", "hip_bone", "long_bone", "long_bone", "rod", "prosthesis", "pipe", "wedge", "ruler", "photograph"}

// Negatives returns the kinds of pictures that [DrawNegative] can draw.
func Negatives() []string {
	out := slices.Clone(negatives)
	slices.Sort(out)
	return slices.Compact(out)
}

// DrawNegative draws a picture that shows no femur. Its header may well say that
// it does.
func DrawNegative(rng *rand.Rand, kind string) Scene { return drawNegative(rng, kind, &seen) }

func drawNegative(rng *rand.Rand, kind string, ranges *Ranges) Scene {
	d := &drawing{Rand: rng, Ranges: ranges, group: group{name: NegativeGroup, from: 0, to: 200, lateral: rng.Float64() < 0.3}}
	d.Seed = rng.Uint64()
	d.Group, d.Content = NegativeGroup, kind
	d.beam()
	a := d.anatomy()
	a.Side = []measure.Side{measure.Left, measure.Right}[d.IntN(2)]
	d.plate(a)
	d.place(a)
	d.field()
	d.Field.Height = d.Plate.Height * span{0.8, 1.05}.even(d.Rand)
	d.Pelvis = Pelvis{}
	d.physics()
	d.style()
	d.marks()
	d.facts()
	d.Legs = d.Legs[:1]
	d.Legs[0].Bare = true
	lay := map[string]func() prop{"lower_leg": d.lowerLeg, "forearm": d.forearm, "humerus": d.humerus, "hand": d.hand, "foot": d.hand,
		"chest": d.chest, "skull": d.skull, "spine": d.spine, "ankle": d.ankle, "elbow": d.elbow, "shoulder": d.shoulder, "finger": d.finger,
		"hip_bone": d.hipBone, "long_bone": d.anyLongBone, "rod": d.rod, "prosthesis": d.prosthesis, "pipe": d.pipes}[kind]
	if lay != nil {
		d.Other = []prop{lay()}
		if !d.sleeved {
			d.Legs = nil
		}
	}
	switch kind {
	case "blank", "saturated", "noise", "form", "wedge", "ruler", "photograph":
		d.Legs = nil
		d.Picture = Picture(kind)
	}
	return d.Scene
}

// shape is a long bone along z: half-widths at its two ends and its waist.
type shape struct {
	length, top, waist, bottom float64
	flat                       float64 // sagittal over coronal
	wall                       float64
	bow                        float64 // curvature per metre
	x, y, z                    float64 // its top
	lean                       float64 // x per z
}

func (d *drawing) longBone(s shape) *bone {
	z0, z1 := s.z, s.z+s.length
	r := knots{[]float64{z0, z0 + 0.02*s.length, z0 + 0.07*s.length, z0 + 0.22*s.length, z0 + 0.5*s.length, z0 + 0.75*s.length, z0 + 0.93*s.length, z0 + 0.98*s.length, z1},
		[]float64{0.5 * s.top, 0.95 * s.top, s.top, 0.6*s.waist + 0.4*max(s.top, s.waist), s.waist, 1.05 * s.waist, s.bottom, 0.95 * s.bottom, 0.5 * s.bottom}}
	wave := newWave(d.Rand, span{0, 0.02}.even(d.Rand)*s.waist)
	b := &bone{topZ: z0, length: z1}
	three := span{-0.06, 0.06}.even(d.Rand)
	density := span{0.4, 1.2}.even(d.Rand)
	b.outer, b.inner = pipe(z0, z1, func(z float64) (o, in station) {
		m := (z0 + z1) / 2
		h := r.at(z)
		o = station{cx: s.x + s.lean*(z-z0) - s.bow*(z-m)*(z-m)/2000, cy: s.y, xp: h + wave.at(z), xn: h, yp: h * s.flat, yn: h * s.flat, three: three}
		in = o
		mid := smooth(1.6 * (1 - math.Abs(z-m)/(s.length/2)))
		t := min(0.8+s.wall*mid, 0.7*h)
		in.xp, in.xn, in.yp, in.yn = o.xp-t, o.xn-t, o.yp-t, o.yn-t
		in.soft, in.density = 0.5+(1-mid), density*(0.15+0.85*(1-mid))
		return o, in
	})
	return b.bounded()
}

// posed returns the pose that a leg would have, with z = mid in its middle.
func (d *drawing) posed(mid float64) Pose {
	p := d.Legs[0].Pose
	p.Pivot = vec{0, 0, mid}
	if d.chance(0.3) {
		p.Slant += 180
	}
	return p
}

func (d *drawing) lowerLeg() prop {
	k := d.size()
	from := span{0, 120}.even(d.Rand)
	s := shape{length: 360 * k, top: 36 * k, waist: 12.5 * k, bottom: 24 * k, flat: span{0.75, 1.1}.even(d.Rand), wall: span{3, 7}.even(d.Rand), bow: span{-0.3, 0.5}.even(d.Rand)}
	f := shape{length: 350 * k, top: 11 * k, waist: 6 * k, bottom: 11 * k, flat: 1, wall: 2.5, x: 38 * k, y: -20 * k, z: 14 * k, lean: -0.03}
	b := []*bone{d.longBone(s), d.longBone(f)}
	if d.chance(0.6) { // talus
		b[0].solids = append(b[0].solids, newSolid(sphere(vec{2, 4, 382 * k}, 21*k), 1, 1))
		b[0].bounded()
	}
	pose := d.posed(from + 100)
	p := prop{bones: b, pose: pose, soft: d.sleeve(pose, 180*k, 260*k, span{48, 70}.even(d.Rand)*k)}
	if d.chance(0.2) { // the other one beside it
		s.x, f.lean = -span{105, 160}.even(d.Rand)*k, 0.03
		f.x = s.x - 38*k
		pl := pose.placement()
		p.bones = append(p.bones, d.longBone(s), d.longBone(f))
		p.soft = append(p.soft, ellipsoid(pl.world(vec{s.x - 8, 0, 180 * k}), pl.inverse, vec{56 * k, 54 * k, 500 * k}))
	}
	return p
}

func (d *drawing) forearm() prop {
	k := d.size()
	u := shape{length: 245 * k, top: 13 * k, waist: 7 * k, bottom: 7 * k, flat: 1.1, wall: span{2, 4}.even(d.Rand), bow: span{-0.6, 0.6}.even(d.Rand)}
	r := shape{length: 232 * k, top: 9 * k, waist: 7 * k, bottom: 16 * k, flat: 0.9, wall: span{2, 4}.even(d.Rand), bow: span{0.2, 1.4}.even(d.Rand), x: 17 * k, z: 14 * k, lean: span{0.02, 0.08}.even(d.Rand)}
	pose := d.posed(120 * k)
	return prop{bones: []*bone{d.longBone(u), d.longBone(r)}, pose: pose, soft: d.sleeve(pose, 110*k, 200*k, span{32, 48}.even(d.Rand))}
}

func (d *drawing) humerus() prop {
	k := d.size()
	b := d.upperArm(k)
	pose := d.posed(span{20, 290}.even(d.Rand) * k)
	p := prop{bones: []*bone{b}, pose: pose, soft: d.sleeve(pose, 150*k, 230*k, span{38, 65}.even(d.Rand)*k)}
	if d.chance(0.6) { // scapula and ribs beside it
		pl := pose.placement()
		q := ellipsoid(pl.world(vec{-45 * k, 0, 40 * k}), pl.inverse, vec{22, 8, 50})
		p.shell = append(p.shell, shell{outer: q, inner: q.inset(1.4), fill: 0.5, dense: 0.8})
		for i := range 5 {
			var c []geom.PointMM
			for t := 0.0; t <= 1; t += 0.1 {
				w := pl.world(vec{-70 - 50*t, 0, 30 + 28*float64(i) + 40*t*t})
				c = append(c, d.Beam.project(w))
			}
			p.ribs = append(p.ribs, rib{c, 6, 1.4})
		}
	}
	return p
}

// size is the factor on a bone's size: usually that of grown people, at times
// any, as of children or by a scale that is wrong.
func (d *drawing) size() float64 {
	if d.chance(0.15) {
		return span{0.6, 1.6}.wide(d.Rand)
	}
	return span{0.85, 1.15}.even(d.Rand)
}

// sleeve is the soft tissue around a limb: a body that narrows towards its ends,
// or the thigh of the first leg, made as thick as the limb.
func (d *drawing) sleeve(p Pose, mid, half, radius float64) []quadric {
	leg := &d.Legs[0]
	if d.chance(0.5) {
		leg.Pose = p
		leg.Thigh = Thigh{Hip: radius, Middle: radius * span{0.75, 1.1}.even(d.Rand), Knee: radius * span{0.5, 1.1}.even(d.Rand),
			Flat: span{0.8, 1.1}.even(d.Rand), Fat: min(leg.Thigh.Fat, 0.5*radius)}
		d.sleeved = true
		return nil
	}
	pl := p.placement()
	return []quadric{ellipsoid(pl.world(vec{8, 0, mid}), pl.inverse, vec{radius, radius * span{0.8, 1.1}.even(d.Rand), half * span{1.2, 4}.even(d.Rand)})}
}

// hand is a hand or a foot: five rays of short bones.
func (d *drawing) hand() prop {
	k := span{0.85, 1.15}.even(d.Rand)
	lengths := []float64{66, 42, 26, 18}
	long := 1.0
	if d.Content == "foot" {
		lengths = []float64{72, 26, 14, 11}
		long = 1.2
	}
	var b []*bone
	for i := range 5 {
		f := float64(i) - 2
		z, lean, x := 0.0, 0.10*f, 14*f*k
		for j, l := range lengths {
			l *= k * long * (1 - 0.05*f*f)
			w := (5.2 - 0.7*float64(j)) * k
			b = append(b, d.longBone(shape{length: l, top: 1.5 * w, waist: w, bottom: 1.5 * w, flat: 0.8, wall: 1.6, x: x, z: z, lean: lean}))
			z += l + 2
			x += lean * (l + 2)
		}
	}
	for i := range 8 {
		c := vec{(float64(i%4) - 1.5) * 14 * k, 0, -12*k - 14*k*float64(i/4)}
		b[0].solids = append(b[0].solids, newSolid(ellipsoid(c, mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, vec{8 * k, 8 * k, 8 * k}), 0.9, 1))
	}
	b[0].bounded()
	pose := d.posed(60 * k)
	pose.Slant += span{-40, 40}.even(d.Rand)
	pl := pose.placement()
	soft := []quadric{ellipsoid(pl.world(vec{0, 0, 30 * k}), pl.inverse, vec{48 * k, 16, 75 * k})}
	for i := range 5 {
		f := float64(i) - 2
		soft = append(soft, ellipsoid(pl.world(vec{14*f*k + 0.1*f*110*k, 0, 110 * k}), pl.inverse, vec{9 * k, 9 * k, 60 * k}))
	}
	return prop{bones: b, pose: pose, soft: soft}
}

// column is a row of vertebrae from y0 to y1.
func (d *drawing) column(x, y0, y1, w float64) []shell {
	var out []shell
	axes := mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	for y := y0; y < y1; y += 0.85 * w {
		q := ellipsoid(vec{x + 4*math.Sin(y/60), y, 120}, axes, vec{0.62 * w, 0.4 * w, 0.5 * w})
		s := ellipsoid(vec{x + 4*math.Sin(y/60), y + 4, 90}, axes, vec{0.16 * w, 0.3 * w, 0.5 * w})
		out = append(out, shell{outer: q, inner: q.inset(1.3), fill: 0.8, dense: 0.8}, shell{outer: s, inner: s.inset(1.3), fill: 0.5, dense: 0.8})
	}
	return out
}

func (d *drawing) chest() prop {
	axes := mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	k := min(1, d.Plate.Width/400) * span{0.85, 1.05}.even(d.Rand)
	p := prop{shell: d.column(0, -200, 220, 34*k)}
	p.soft = []quadric{ellipsoid(vec{0, 40, 130}, axes, vec{185 * k, 330 * k, 110 * k}), ellipsoid(vec{28 * k, 60 * k, 140}, axes, vec{62 * k, 62 * k, 45 * k})}
	for _, s := range []float64{-1, 1} {
		p.gas = append(p.gas, ellipsoid(vec{s * 78 * k, 0, 130}, axes, vec{62 * k, 135 * k, 72 * k}))
		for i := range 10 {
			y := (-130 + 27*float64(i)) * k
			w := (60 + 80*math.Sqrt(float64(i+1)/10)) * k
			var back, front []geom.PointMM
			for t := 0.0; t <= 1.01; t += 0.1 {
				sn, cs := math.Sincos(t * 1.7)
				back = append(back, geom.PointMM{X: s * (14*k + w*sn), Y: y + 34*k*(1-cs)})
				front = append(front, geom.PointMM{X: s * (14*k + w*sn), Y: y + (110-50*t)*k*0.8})
			}
			p.ribs = append(p.ribs, rib{back, 5.5 * k, 1.1})
			if i > 1 {
				p.ribs = append(p.ribs, rib{front[5:], 5 * k, 0.9})
			}
		}
		p.ribs = append(p.ribs, rib{[]geom.PointMM{{X: s * 20 * k, Y: -128 * k}, {X: s * 70 * k, Y: -142 * k}, {X: s * 140 * k, Y: -160 * k}}, 6 * k, 1.6})
	}
	return p
}

func (d *drawing) skull() prop {
	axes := mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	k := span{0.9, 1.1}.even(d.Rand)
	side := d.chance(0.5)
	long := 76.0
	if side {
		long = 96
	}
	q := ellipsoid(vec{0, -30 * k, 140}, axes, vec{long * k, 88 * k, 80 * k})
	p := prop{shell: []shell{{outer: q, inner: q.inset(5.5), dense: 0.9, fill: 0}}}
	for range 9 {
		c := vec{span{-45, 45}.even(d.Rand) * k, span{15, 70}.even(d.Rand) * k, 150}
		e := ellipsoid(c, axes, vec{span{10, 26}.even(d.Rand), span{8, 22}.even(d.Rand), span{10, 20}.even(d.Rand)})
		p.shell = append(p.shell, shell{outer: e, inner: e.inset(1.6), dense: 0.9, fill: 0.2})
	}
	p.ribs = append(p.ribs, rib{[]geom.PointMM{{X: -62 * k, Y: 20 * k}, {X: -52 * k, Y: 78 * k}, {X: -15 * k, Y: 104 * k}, {X: 15 * k, Y: 104 * k}, {X: 52 * k, Y: 78 * k}, {X: 62 * k, Y: 20 * k}}, 8, 2})
	p.shell = append(p.shell, d.column(0, 70*k, 220, 20)...)
	p.soft = []quadric{ellipsoid(vec{0, -20 * k, 140}, axes, vec{(long + 7) * k, 112 * k, 88 * k}), ellipsoid(vec{0, 140, 140}, axes, vec{60, 120, 60})}
	return p
}

func (d *drawing) spine() prop {
	axes := mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	w := span{34, 50}.even(d.Rand)
	p := prop{shell: d.column(span{-20, 20}.even(d.Rand), -230, 230, w)}
	p.soft = []quadric{ellipsoid(vec{0, 0, 130}, axes, vec{190, 420, 115})}
	for range d.IntN(9) {
		r := span{8, 30}.wide(d.Rand)
		p.gas = append(p.gas, ellipsoid(vec{span{-110, 110}.even(d.Rand), span{-180, 180}.even(d.Rand), 160}, axes, vec{r * 1.5, r, r}))
	}
	return p
}

// paint replaces the picture by one that is no radiograph.
func (t *stage) paint(x *plane, g grid) {
	rng := rand.New(rand.NewPCG(t.Seed, 3))
	switch t.Picture {
	case Blank:
		v := float32(rng.Float64())
		n := float32(0.03 * rng.Float64())
		for i := range x.v {
			x.v[i] = max(0, min(1, v+n*gauss(t.Seed+uint64(i))))
		}
	case Saturated:
		for i, v := range x.v {
			x.v[i] = max(0, min(1, 60*v-3))
		}
	case Noise:
		for i := range x.v {
			x.v[i] = max(0, min(1, 0.5+0.3*gauss(t.Seed+uint64(i))))
		}
		if rng.IntN(2) == 0 {
			s := 1 + 12*rng.Float64()
			copy(x.v, x.gaussian(s, s).v)
			for i, v := range x.v {
				x.v[i] = max(0, min(1, 0.5+float32(s)*2*(v-0.5)))
			}
		}
	case Form:
		t.form(x, g, rng)
	case Wedge:
		t.wedge(x, g, rng)
	case Ruler:
		t.ruler(x, g, rng)
	case Photograph:
		t.photograph(x, g, rng)
	}
}

// form draws a sheet of ruled boxes and lines of letters.
func (t *stage) form(x *plane, g grid, rng *rand.Rand) {
	paper, ink := float32(0.75+0.25*rng.Float64()), float32(0.3*rng.Float64())
	if rng.IntN(3) == 0 {
		paper, ink = ink, paper
	}
	for i := range x.v {
		x.v[i] = paper
	}
	letters := []rune("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789")
	w, h := t.Plate.Width, t.Plate.Height
	draw := func(m Mark) {
		m.cover(g, func(i int, s float32) { x.v[i] += s * (ink - x.v[i]) })
	}
	lines := span{8, 16}
	for y := -0.45 * h; y < 0.45*h; y += lines.even(rng) {
		size := span{3, 6}.even(rng)
		at := -0.44 * w
		for at < 0.4*w {
			n := 2 + rng.IntN(9)
			word := make([]rune, n)
			for i := range word {
				word[i] = letters[rng.IntN(len(letters))]
			}
			m := Mark{Text: string(word), At: geom.PointMM{X: at, Y: y}, Height: size}
			if at+m.width() > 0.46*w || rng.IntN(7) == 0 {
				break
			}
			draw(m)
			at += m.width() + size
		}
		if rng.IntN(4) == 0 { // a rule across, a bar down
			for c := range g.cols {
				f := float64(c) / float64(g.cols)
				across, down := geom.PointMM{X: (0.9*f - 0.45) * w, Y: y - 2}, geom.PointMM{X: -0.45 * w, Y: y + 20*f}
				for _, p := range [2]geom.PointMM{across, down} {
					q := g.pixel(p)
					if i := int(q.Y)*g.cols + int(q.X); q.X >= 0 && int(q.X) < g.cols && q.Y >= 0 && int(q.Y) < g.rows {
						x.v[i] = ink
					}
				}
			}
		}
	}
}
