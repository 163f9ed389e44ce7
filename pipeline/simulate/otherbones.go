package simulate

import (
	"math"

	"shaftgauge/measure/geom"
)

// upright are the axes of a body frame.
var upright = mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// knob adds a rounded part to a bone.
func (b *bone) knob(c, r vec) {
	b.solids = append(b.solids, newSolid(ellipsoid(c, upright, r), 1, 1))
}

// upperArm is a humerus: head, tubercles, deltoid's rise, epicondyles, trochlea
// and capitulum.
func (d *drawing) upperArm(k float64) *bone {
	f := func(lo, hi float64) float64 { return span{lo, hi}.even(d.Rand) * k }
	s := shape{length: 310 * k, top: f(19, 25), waist: f(9, 12), bottom: f(22, 31), flat: span{0.6, 1}.even(d.Rand), wall: f(2.5, 5.5), bow: span{-0.3, 0.4}.even(d.Rand)}
	b := d.longBone(s)
	r := f(19, 26)
	b.knob(vec{-f(8, 18), f(-8, 8), f(6, 18)}, vec{r, r, r})
	if d.chance(0.7) {
		b.knob(vec{f(12, 20), 0, f(10, 22)}, vec{f(8, 12), f(10, 14), f(12, 20)})
	}
	if d.chance(0.7) {
		b.knob(vec{-f(22, 32), 0, 295 * k}, vec{f(7, 11), f(6, 10), f(8, 14)})
		b.knob(vec{f(20, 28), 0, 297 * k}, vec{f(5, 9), f(6, 10), f(8, 12)})
		b.knob(vec{-f(6, 12), 0, 308 * k}, vec{f(10, 13), f(9, 13), f(8, 12)})
		b.knob(vec{f(10, 16), f(0, 6), 306 * k}, vec{f(8, 11), f(8, 11), f(8, 11)})
	}
	return b.bounded()
}

// ankle is the lower part of a lower leg with tarsal bones.
func (d *drawing) ankle() prop {
	k := d.size()
	s := shape{length: 230 * k, top: 13 * k, waist: 11.5 * k, bottom: 25 * k, flat: span{0.75, 1.1}.even(d.Rand), wall: span{3, 7}.even(d.Rand), bow: span{-0.3, 0.5}.even(d.Rand)}
	f := shape{length: 245 * k, top: 6 * k, waist: 6 * k, bottom: 11 * k, flat: 1, wall: 2.5, x: span{24, 34}.even(d.Rand) * k, y: -12 * k, lean: -0.02}
	b := []*bone{d.longBone(s), d.longBone(f)}
	for range 5 {
		c := vec{span{-20, 24}.even(d.Rand) * k, span{-30, 60}.even(d.Rand) * k, span{245, 285}.even(d.Rand) * k}
		b[0].solids = append(b[0].solids, newSolid(ellipsoid(c, upright, vec{18 * k, 24 * k, 16 * k}), 1, 0.9))
	}
	b[0].bounded()
	pose := d.posed(span{120, 200}.even(d.Rand) * k)
	return prop{bones: b, pose: pose, soft: d.sleeve(pose, 150*k, 220*k, span{36, 60}.even(d.Rand))}
}

// elbow is the lower humerus with the upper forearm.
func (d *drawing) elbow() prop {
	k := d.size()
	lean := span{-0.25, 0.25}.even(d.Rand)
	u := shape{length: 200 * k, top: 15 * k, waist: 7 * k, bottom: 7 * k, flat: 1.1, wall: 3, x: -8 * k, z: 306 * k, lean: lean}
	r := shape{length: 195 * k, top: 11 * k, waist: 7 * k, bottom: 8 * k, flat: 0.9, wall: 3, x: 14 * k, z: 314 * k, lean: lean}
	pose := d.posed(span{210, 350}.even(d.Rand) * k)
	return prop{bones: []*bone{d.upperArm(k), d.longBone(u), d.longBone(r)}, pose: pose, soft: d.sleeve(pose, 310*k, 260*k, span{36, 58}.even(d.Rand)*k)}
}

// shoulder is the upper humerus in its joint, with clavicle and ribs.
func (d *drawing) shoulder() prop {
	k := d.size()
	b := d.upperArm(k)
	pose := d.posed(span{40, 130}.even(d.Rand) * k)
	pl := pose.placement()
	p := prop{bones: []*bone{b}, pose: pose, soft: d.sleeve(pose, 120*k, 200*k, span{45, 80}.even(d.Rand))}
	p.soft = append(p.soft, ellipsoid(pl.world(vec{-110 * k, 0, 70 * k}), pl.inverse, vec{120, 90, 160}))
	for _, c := range []struct{ at, r vec }{
		{vec{-40, 2, 12}, vec{9, 12, 26}}, {vec{-78, -10, 50}, vec{42, 7, 62}}, {vec{-20, -6, -24}, vec{30, 8, 7}}, {vec{-46, 16, -6}, vec{12, 7, 9}},
	} {
		q := ellipsoid(pl.world(c.at.mul(k)), pl.inverse, c.r.mul(k))
		p.shell = append(p.shell, shell{outer: q, inner: q.inset(1.3), fill: 0.6, dense: 0.8})
	}
	course := func(pts ...vec) (out []geom.PointMM) {
		for _, q := range pts {
			out = append(out, d.Beam.project(pl.world(q.mul(k))))
		}
		return out
	}
	p.ribs = append(p.ribs, rib{course(vec{-8, 0, -30}, vec{-50, 0, -40}, vec{-95, 0, -30}, vec{-140, 0, -24}), span{5.5, 8}.even(d.Rand), 2})
	for i := range 6 {
		z := 20 + 27*float64(i)
		p.ribs = append(p.ribs, rib{course(vec{-70, 0, z + 40}, vec{-78, 0, z + 10}, vec{-110, 0, z - 8}, vec{-160, 0, z}), span{5, 7}.even(d.Rand), 1.3})
	}
	return p
}

// finger is one or two rays of a hand, taken large: on a film without a scale a
// phalanx has a femur's outline.
func (d *drawing) finger() prop {
	k := span{1, 2.6}.even(d.Rand)
	var b []*bone
	for i := range 1 + d.IntN(2) {
		z := 0.0
		for j, l := range []float64{66, 42, 26, 18} {
			w := (5.2 - 0.7*float64(j)) * k
			b = append(b, d.longBone(shape{length: l * k, top: 1.6 * w, waist: w, bottom: 1.45 * w, flat: 0.8, wall: 1.6 * k, x: 19 * k * float64(i), z: z}))
			z += (l + 2) * k
		}
	}
	pose := d.posed(span{30, 120}.even(d.Rand) * k)
	return prop{bones: b, pose: pose, soft: d.sleeve(pose, 70*k, 100*k, 10*k)}
}

// hipBone is a pelvis cut above the femurs' shafts, or without any legs.
func (d *drawing) hipBone() prop {
	p := prop{pose: d.posed(0)}
	h := vec{span{70, 100}.even(d.Rand), span{60, 130}.even(d.Rand), 140}
	for _, side := range []float64{-1, 1} {
		p.shell = append(p.shell, hemipelvis(vec{side * h[0], h[1], h[2]}, vec{-side, 0, 0}, vec{0, 1, 0}, 24, nil)...)
	}
	p.shell = append(p.shell, sacrum(vec{0, h[1] - 75, h[2]}, vec{1, 0, 0}, vec{0, 1, 0}, 1)...)
	p.shell = append(p.shell, d.column(0, -230, h[1]-120, 40)...)
	p.soft = []quadric{ellipsoid(vec{0, 0, 130}, upright, vec{d.Trunk.usual(d.Rand), 330, 115})}
	for range d.IntN(7) {
		r := span{8, 30}.wide(d.Rand)
		p.gas = append(p.gas, ellipsoid(vec{span{-90, 90}.even(d.Rand), span{-150, 80}.even(d.Rand), 160}, upright, vec{r * 1.5, r, r}))
	}
	return p
}

// anyLongBone is a long bone of any proportions more slender than a femur's,
// with or without one or two beside it: limbs of people small and large, and of
// animals.
func (d *drawing) anyLongBone() prop {
	w := span{5, 10.5}.even(d.Rand)
	long := span{150, 380}.even(d.Rand)
	var b []*bone
	for i := range []int{1, 1, 2, 2, 3}[d.IntN(5)] {
		s := shape{length: long * span{0.85, 1.05}.even(d.Rand), top: w * span{1.1, 3}.even(d.Rand), waist: w, bottom: w * span{1.1, 3}.even(d.Rand),
			flat: span{0.6, 1.1}.even(d.Rand), wall: w * span{0.2, 0.55}.even(d.Rand), bow: span{-1, 1}.even(d.Rand)}
		if i > 0 {
			s.x, s.z, s.lean = float64(i)*span{14, 34}.even(d.Rand), span{-20, 30}.even(d.Rand), span{-0.06, 0.06}.even(d.Rand)
			s.waist *= span{0.4, 1.1}.even(d.Rand)
			s.top, s.bottom = s.waist*span{1, 2.6}.even(d.Rand), s.waist*span{1, 2.6}.even(d.Rand)
		}
		b = append(b, d.longBone(s))
		for _, z := range []float64{s.z + 4, s.z + s.length - 4} {
			for range d.IntN(4) { // a head, condyles, processes
				c := vec{s.x + s.lean*(z-s.z) + span{-1, 1}.even(d.Rand)*s.top, span{-0.5, 0.5}.even(d.Rand) * s.top, z + span{-0.8, 0.8}.even(d.Rand)*s.top}
				r := func() float64 { return span{0.6, 1.7}.even(d.Rand) * s.waist }
				b[i].knob(c, vec{r(), r(), r()})
			}
		}
		b[i].bounded()
	}
	pose := d.posed(long * span{0.1, 0.9}.even(d.Rand))
	return prop{bones: b, pose: pose, soft: d.sleeve(pose, long/2, long*0.6, w*span{2.5, 7}.even(d.Rand))}
}

// cylinderWorld is a cylinder in the world between two places of the body frame.
func cylinderWorld(pl placement, a, b vec, r float64) quadric {
	return cylinder(pl.world(a), pl.world(b), r)
}

// rod is one nail or more that lie on the film alone.
func (d *drawing) rod() prop {
	pose := d.posed(0)
	pose.Pivot = vec{}
	pose.At = vec{span{-30, 30}.even(d.Rand), 0, 20}
	pl := pose.placement()
	p := prop{pose: pose}
	long, r, bow := span{160, 400}.even(d.Rand), span{3, 7}.even(d.Rand), span{0, 1}.even(d.Rand)
	for i := range 1 + d.IntN(3) {
		x := float64(i) * span{18, 40}.even(d.Rand)
		at := func(z float64) vec { return vec{x + bow*z*z/2000, 0, z} }
		for z := -long / 2; z < long/2; z += 15 {
			q := cylinderWorld(pl, at(z), at(z+15.2), r)
			p.shell = append(p.shell, shell{outer: q, inner: q.inset(r), dense: 10})
			if d.chance(0.7) && r > 4 { // hollow
				p.shell[len(p.shell)-1].inner = q.inset(r * 0.5)
			}
		}
	}
	if d.chance(0.4) {
		p.soft = d.sleeve(pose, 0, long/2, span{40, 80}.even(d.Rand))
	}
	return p
}

// prosthesis is a stem with its ball, or a knee's parts, alone on the film.
func (d *drawing) prosthesis() prop {
	pose := d.posed(0)
	pose.Pivot, pose.At = vec{}, vec{0, 0, 20}
	pl := pose.placement()
	p := prop{pose: pose}
	metal := func(q quadric) { p.shell = append(p.shell, shell{outer: q, inner: q.gone(), dense: 10}) }
	long := span{110, 200}.even(d.Rand)
	for z := -0.4 * long; z < 0.6*long; z += 8 {
		metal(cylinderWorld(pl, vec{0, 0, z}, vec{0, 0, z + 8.2}, 10-5*(z/long+0.4)))
	}
	head := vec{-span{30, 45}.even(d.Rand), 0, -0.4*long - span{20, 40}.even(d.Rand)}
	metal(cylinderWorld(pl, vec{0, 0, -0.38 * long}, head, 6))
	metal(sphere(pl.world(head), span{11, 18}.even(d.Rand)))
	return p
}

// pipes are tubes of plastic, glass or metal, empty or full, straight or bent, in
// air or in water.
func (d *drawing) pipes() prop {
	pose := d.posed(0)
	pose.Pivot = vec{}
	pose.At[2] = span{20, 150}.even(d.Rand)
	pl := pose.placement()
	p := prop{pose: pose}
	for i := range 1 + d.IntN(3) {
		r := span{4, 26}.wide(d.Rand)
		wall := r * span{0.08, 0.5}.even(d.Rand)
		bow, x := span{-3, 3}.even(d.Rand)*d.Float64(), float64(i)*span{35, 70}.even(d.Rand)
		dense, fill := span{0.08, 3}.wide(d.Rand), span{0, 3}.even(d.Rand)*d.Float64()
		long := span{60, 300}.even(d.Rand)
		at := func(z float64) vec { return vec{x + bow*z*z/2000, 0, z} }
		step := 15.0
		if math.Abs(bow) < 0.3 {
			bow, step = 0, 2*long
		}
		for z := -long; z < long; z += step {
			q := cylinderWorld(pl, at(z), at(z+step), r)
			p.shell = append(p.shell, shell{outer: q, inner: q.inset(wall), dense: dense, fill: fill})
		}
	}
	if d.chance(0.4) {
		p.soft = d.sleeve(pose, 0, 220, span{40, 110}.even(d.Rand))
	}
	return p
}
