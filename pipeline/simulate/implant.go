package simulate

import "math"

// Implant is metal in or on a femur, by the contract's words.
type Implant string

// The implants that can be drawn; the empty one is none.
const (
	Nail          Implant = "intramedullary"
	PlateImplant  Implant = "plate"
	Stem          Implant = "stem"
	KneeImplant   Implant = "knee" // "other" in the contract's column
	CerclageWires Implant = "wires"
)

// column returns the contract's word for k.
func (k Implant) column() string {
	switch k {
	case "":
		return "none"
	case KneeImplant, CerclageWires:
		return "other"
	}
	return string(k)
}

// cylinder from a to b with the radius r.
func cylinder(a, b vec, r float64) quadric {
	axis := b.sub(a)
	l := axis.norm()
	axis = axis.mul(1 / l)
	e := vec{0, 1, 0}
	if abs(axis[1]) > 0.9 {
		e = vec{1, 0, 0}
	}
	const straight = 1e-9 // hardly any flare
	return neck(a.add(b).mul(0.5), axis, e, r, r, straight, interval{-l / 2, l / 2})
}

// fit adds the metal of an implant to a femur.
func (b *bone) fit(kind Implant, a Anatomy) {
	at := func(z float64) vec { x, y := b.outer.centre(z); return vec{x, y, z} }
	half := func(z float64) *station { i, _ := b.outer.index(z); return &b.outer.st[i] }
	g := a.Girth
	head := b.solids[b.head].outer.c
	add := func(q quadric) { b.metal = append(b.metal, q) }
	across := func(z, r float64) { // a screw from lateral to medial
		s, c := half(z), at(z)
		add(cylinder(c.add(vec{s.xp + 3, 0, 0}), c.sub(vec{s.xn + 2, 0, 0}), r))
	}
	switch kind {
	case Nail:
		r := 5.2 * g
		end := a.Length - 45*g
		for z := -58 * g; z < end; z += 12 {
			add(cylinder(at(z), at(min(z+12.2, end)), r))
		}
		across(end-14, 2.4)
		across(end-34, 2.4)
		add(cylinder(at(12*g).add(vec{half(12*g).xp + 2, 0, 0}), head.add(b.neckAxis.mul(9*g)), 5))
	case PlateImplant:
		z0 := 0.25 * a.Length
		for z := z0; z < z0+0.4*a.Length; z += 9 {
			s, t := half(z), half(z+9)
			p, q := at(z).add(vec{s.xp + 2.2, 0, 0}), at(z+9.2).add(vec{t.xp + 2.2, 0, 0})
			axis := q.sub(p).unit()
			add(neck(p.add(q).mul(0.5), axis, vec{1, 0, 0}, 2.4, 7.5, 1e-9, interval{-4.6, 4.6}))
			if int(z-z0)%18 == 0 {
				across(z, 2.2)
			}
		}
	case Stem:
		for z := -28 * g; z < 110*g; z += 8 {
			r := (9.5 - 5*(z/g+28)/138) * g
			add(cylinder(at(z), at(z+8.2), r))
		}
		add(cylinder(at(-24*g), head, 6.5*g))
		add(sphere(head, 15*g))
		add(quadric{c: head, m: mat{{1 / (24 * g), 0, 0}, {0, 1 / (24 * g), 0}, {0, 0, 1 / (24 * g)}}}.bounded())
		// The ball and the cup stand for the head and the neck.
		b.solids[b.head].outer, b.solids[b.waist].outer = b.solids[b.head].outer.gone(), b.solids[b.waist].outer.gone()
	case KneeImplant:
		for _, i := range []int{b.condyleLateral, b.condyleMedial} {
			add(b.solids[i].outer.inset(-3))
		}
		c := at(a.Length)
		add(cylinder(c.add(vec{0, 0, 10 * g}), c.add(vec{0, 0, 14 * g}), 34*g))
		add(cylinder(c.add(vec{0, 0, 14 * g}), c.add(vec{0, 0, 48 * g}), 7*g))
	case CerclageWires:
		for _, z := range []float64{0.2 * a.Length, 0.26 * a.Length, 0.33 * a.Length} {
			s, c := half(z), at(z)
			var last vec
			for i := range 17 {
				sn, cs := math.Sincos(2 * math.Pi * float64(i) / 16)
				rx, ry := s.xp, s.yp
				if cs < 0 {
					rx = s.xn
				}
				if sn < 0 {
					ry = s.yn
				}
				p := c.add(vec{(rx + 1) * cs, (ry + 1) * sn, 3 * cs})
				if i > 0 {
					add(cylinder(last, p, 0.75))
				}
				last = p
			}
		}
	}
	for _, q := range b.metal {
		b.lo, b.hi = min(b.lo, q.c[2]-q.bound()), max(b.hi, q.c[2]+q.bound())
	}
}

// gone is an ellipsoid too small to be met.
func (q quadric) gone() quadric { return sphere(q.c, 1e-3) }

// Break is a displaced fracture: the part of the femur beyond Z is shifted and
// turned.
type Break struct {
	Z          float64
	Shift      [3]float64 // mm, in the body frame
	Angle      float64    // degrees in the film's plane
	Overriding float64    // mm along the shaft
}

// moved is the pose of the part beyond the fracture.
func (k *Break) moved(p Pose) Pose {
	at := p.placement().world(vec{p.Pivot[0], p.Pivot[1], k.Z})
	shift := p.placement().r.mul(vec{k.Shift[0], k.Shift[1], -k.Overriding})
	p.Pivot = vec{p.Pivot[0], p.Pivot[1], k.Z}
	p.At = at.add(shift)
	p.Slant += k.Angle
	return p
}

// parts splits b at z.
func (b *bone) parts(z float64) (proximal, distal *bone) {
	k := max(2, min(int((z-b.outer.z0)/tubeStep), len(b.outer.st)-2))
	p, d := *b, *b
	p.outer.st, p.inner.st = b.outer.st[:k], b.inner.st[:k]
	d.outer = tube{b.outer.z0 + tubeStep*float64(k-1), b.outer.st[k-1:]}
	d.inner = tube{d.outer.z0, b.inner.st[k-1:]}
	p.solids, d.solids = nil, nil
	for _, s := range b.solids {
		if s.outer.c[2] < z {
			p.solids = append(p.solids, s)
		} else {
			d.solids = append(d.solids, s)
		}
	}
	return p.bounded(), d.bounded()
}
