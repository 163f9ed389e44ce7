package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Implant is metal in or on a femur.
type Implant string

// The implants that can be drawn; the empty one is none.
const (
	Nail           Implant = "intramedullary"
	ShortNail      Implant = "short_nail"
	RetrogradeNail Implant = "retrograde_nail" // from the knee
	PlateImplant   Implant = "plate"
	ShortPlate     Implant = "short_plate"
	DistalPlate    Implant = "distal_plate"
	HipScrew       Implant = "hip_screw" // a screw in the neck with its plate
	Stem           Implant = "stem"
	CementedStem   Implant = "cemented_stem"
	WiredStem      Implant = "wired_stem"
	KneeImplant    Implant = "knee"
	StemmedKnee    Implant = "stemmed_knee"
	CerclageWires  Implant = "wires"
	Screws         Implant = "screws"
	Resurfacing    Implant = "resurfacing" // a cap on the head
	Staples        Implant = "staples"     // of the skin
	Fixator        Implant = "fixator"     // outside the leg, held by pins
)

// columns are the contract's words for the implants.
var columns = map[Implant]string{
	"": "none", Nail: "intramedullary", ShortNail: "intramedullary", RetrogradeNail: "intramedullary",
	PlateImplant: "plate", ShortPlate: "plate", DistalPlate: "plate", HipScrew: "plate",
	Stem: "stem", CementedStem: "stem", WiredStem: "stem",
	KneeImplant: "other", StemmedKnee: "other", CerclageWires: "other", Screws: "other", Resurfacing: "other", Staples: "other", Fixator: "other",
}

// column returns the contract's word for k.
func (k Implant) column() string { return columns[k] }

// Implants returns the kinds of implants that films show; a Fixator is on training
// samples only.
func Implants() []Implant {
	return []Implant{Nail, ShortNail, RetrogradeNail, PlateImplant, ShortPlate, DistalPlate, HipScrew, Stem, CementedStem, WiredStem,
		KneeImplant, StemmedKnee, CerclageWires, Screws, Resurfacing, Staples}
}

// usualImplants are drawn for films with an implant, the commoner more often.
var usualImplants = append(Implants(), Nail, Nail, PlateImplant, Stem, HipScrew, KneeImplant, KneeImplant, CerclageWires)

// atKnee tells whether a film of the implant shows the knee.
func (k Implant) atKnee() bool {
	return k == KneeImplant || k == StemmedKnee || k == DistalPlate || k == RetrogradeNail
}

// hardlyFlared is the flare of a cylinder made as a [neck].
const hardlyFlared = 1e-9

// cylinder from a to b with the radius r.
func cylinder(a, b vec, r float64) quadric {
	axis := b.sub(a)
	l := axis.norm()
	axis = axis.mul(1 / l)
	e := vec{0, 1, 0}
	if abs(axis[1]) > 0.9 {
		e = vec{1, 0, 0}
	}
	return neck(a.add(b).mul(0.5), axis, e, r, r, hardlyFlared, interval{-l / 2, l / 2})
}

// smith puts an implant into a femur. Its sizes come from a source of their own,
// so that the rest of a scene does not hang on them.
type smith struct {
	*bone
	*rand.Rand
	a    Anatomy
	g    float64
	head vec
}

// fit adds the metal of an implant to a femur.
func (b *bone) fit(kind Implant, a Anatomy) {
	m := &smith{b, rand.New(rand.NewPCG(a.Noise, 0x3e7a1)), a, a.Girth, b.solids[b.head].outer.c}
	switch kind {
	case Nail:
		m.nail(-m.even(50, 62)*m.g, a.Length-m.even(35, 120)*m.g)
		m.lagScrews()
	case ShortNail:
		m.nail(-m.even(50, 62)*m.g, m.even(100, 190))
		m.lagScrews()
	case RetrogradeNail:
		m.nail(m.even(10, 0.55*a.Length), a.Length-m.even(2, 14)*m.g)
	case PlateImplant:
		m.plate(m.even(0.15, 0.35)*a.Length, m.even(0.55, 0.8)*a.Length)
	case ShortPlate:
		z := m.even(0.1, 0.6) * a.Length
		m.plate(z, z+m.even(50, 110))
	case DistalPlate:
		m.plate(m.even(0.3, 0.6)*a.Length, a.Length-m.even(20, 40)*m.g)
	case HipScrew:
		m.lag(m.even(-16, 0), m.even(3.5, 6.5))
		m.plate(m.even(-14, 0), m.even(60, 170))
	case Stem, CementedStem, WiredStem:
		m.stem(kind == CementedStem)
		if kind == WiredStem {
			m.wires(m.even(10, 40), 1+m.IntN(4))
		}
	case KneeImplant, StemmedKnee:
		m.kneeReplacement(kind == StemmedKnee)
	case CerclageWires:
		m.wires(m.even(0.08, 0.6)*a.Length, 1+m.IntN(4))
	case Screws:
		if m.IntN(2) == 0 {
			for i := range 2 + m.IntN(2) {
				m.lag(-14+9*float64(i), m.even(2.5, 3.8))
			}
		} else {
			z := m.even(0.1, 0.7) * a.Length
			for i := range 1 + m.IntN(4) {
				m.across(z+float64(i)*m.even(10, 22), m.even(1.6, 2.8))
			}
		}
	case Resurfacing:
		r := 1 / b.solids[b.head].outer.m[0].norm()
		m.add(sphere(m.head, r+m.even(0, 2)))
		m.add(cylinder(m.head, m.head.sub(b.neckAxis.mul(m.even(25, 45))), m.even(3, 4.5)))
		b.solids[b.head].outer = b.solids[b.head].outer.gone()
	case Staples:
		m.staples()
	case Fixator:
		m.fixator()
	}
	for _, q := range slices.Concat(b.metal, b.cement) {
		b.lo, b.hi = min(b.lo, q.c[2]-q.bound()), max(b.hi, q.c[2]+q.bound())
	}
}

func (m *smith) even(lo, hi float64) float64 { return span{lo, hi}.even(m.Rand) }

func (m *smith) add(q quadric) { m.metal = append(m.metal, q) }

func (m *smith) at(z float64) vec { x, y := m.outer.centre(z); return vec{x, y, z} }

func (m *smith) half(z float64) *station { i, _ := m.outer.index(z); return &m.outer.st[i] }

// across adds a screw from lateral to medial.
func (m *smith) across(z, r float64) {
	s, c := m.half(z), m.at(z)
	tilt := m.even(-4, 4)
	m.add(cylinder(c.add(vec{s.xp + 3, 0, 0}), c.sub(vec{s.xn + m.even(-6, 3), 0, -tilt}), r))
}

// nail adds a rod in the canal from z0 to z1 with locking screws at its far end.
func (m *smith) nail(z0, z1 float64) {
	r := m.even(4.2, 6.8) * m.g
	for z := z0; z < z1; z += 12 {
		m.add(cylinder(m.at(z), m.at(min(z+12.2, z1)), r))
	}
	for i := range m.IntN(4) {
		z := z1 - 12 - 16*float64(i)
		if z0 > -40 && i == 2 { // from the knee: at the other end too
			z = z0 + 14
		}
		m.across(z, m.even(1.8, 2.8))
	}
}

// lagScrews adds one screw or two from the nail into the head.
func (m *smith) lagScrews() {
	switch m.IntN(4) {
	case 0:
		m.lag(m.even(2, 10), m.even(2.8, 3.6))
		m.lag(m.even(-12, -6), m.even(2.8, 3.6))
	case 1, 2:
		m.lag(m.even(4, 14), m.even(4, 6))
	}
}

// lag adds a screw from the lateral cortex at z into the head.
func (m *smith) lag(z, r float64) {
	m.add(cylinder(m.at(z).add(vec{m.half(z).xp + 2, 0, 0}), m.head.add(m.neckAxis.mul(m.even(2, 13)*m.g)), r))
}

// plate adds a plate on the lateral side from z0 to z1 with its screws.
func (m *smith) plate(z0, z1 float64) {
	thick, wide := m.even(1.6, 3), m.even(5, 9)
	gap, pitch := m.even(0, 1), m.even(12, 24)
	next := z0 + 4
	for z := z0; z < z1; z += 9 {
		s, t := m.half(z), m.half(z+9)
		p, q := m.at(z).add(vec{s.xp + gap + thick, 0, 0}), m.at(z+9.2).add(vec{t.xp + gap + thick, 0, 0})
		m.add(neck(p.add(q).mul(0.5), q.sub(p).unit(), vec{1, 0, 0}, thick, wide, hardlyFlared, interval{-4.8, 4.8}))
		if z >= next {
			next += pitch
			if m.IntN(6) > 0 { // a hole may be empty
				m.across(z, m.even(1.6, 2.8))
			}
		}
	}
}

// stem adds a hip prosthesis, its ball and cup in place of the head.
func (m *smith) stem(cemented bool) {
	b, g := m.bone, m.g
	long := m.even(75, 135) * g
	top, tip := m.even(8, 11), m.even(3, 5.5)
	for z := -28 * g; z < long; z += 8 {
		r := (top - (top-tip)*(z+28*g)/(long+28*g)) * g
		m.add(cylinder(m.at(z), m.at(z+8.2), r))
		if cemented {
			b.cement = append(b.cement, cylinder(m.at(z), m.at(z+8.2), r+m.even(2, 3)))
		}
	}
	m.add(cylinder(m.at(-24*g), m.head, m.even(5, 7)*g))
	m.add(sphere(m.head, m.even(11, 18)*g))
	if m.IntN(4) > 0 {
		m.add(sphere(m.head, m.even(23, 28)*g))
	}
	// The ball and the cup stand for the head and the neck.
	b.solids[b.head].outer, b.solids[b.waist].outer = b.solids[b.head].outer.gone(), b.solids[b.waist].outer.gone()
}

// kneeReplacement caps the condyles and lays a tray on the tibia.
func (m *smith) kneeReplacement(stemmed bool) {
	b, g := m.bone, m.g
	for _, i := range []int{b.condyleLateral, b.condyleMedial} {
		m.add(b.solids[i].outer.inset(-m.even(1, 4)))
	}
	c := m.at(m.a.Length)
	if m.IntN(2) == 0 { // the shield in front
		m.add(ellipsoid(c.add(vec{0, 14 * g, -34 * g}), upright, vec{22 * g, 3, 26 * g}))
	}
	m.add(cylinder(c.add(vec{0, 0, 10 * g}), c.add(vec{0, 0, m.even(13, 16) * g}), m.even(30, 36)*g))
	m.add(cylinder(c.add(vec{0, 0, 14 * g}), c.add(vec{0, 0, m.even(30, 60) * g}), m.even(5, 8)*g))
	if stemmed {
		r, end := m.even(5, 8), m.a.Length-m.even(60, 170)
		for z := m.a.Length - 30*g; z > end; z -= 12 {
			m.add(cylinder(m.at(z-12.2), m.at(z), r))
		}
	}
}

// wires winds n wires around the shaft from z on.
func (m *smith) wires(z float64, n int) {
	r, tilt := m.even(0.5, 1.1), m.even(-5, 5)
	for range n {
		s, c := m.half(z), m.at(z)
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
			p := c.add(vec{(rx + 1) * cs, (ry + 1) * sn, tilt * cs})
			if i > 0 {
				m.add(cylinder(last, p, r))
			}
			last = p
		}
		if m.IntN(2) == 0 { // the twist
			m.add(cylinder(last, last.add(vec{m.even(2, 6), m.even(-3, 3), m.even(-6, 6)}), 1.4*r))
		}
		z += m.even(12, 32)
	}
}

// staples sets a row of skin staples or clips along a wound beside the shaft.
func (m *smith) staples() {
	z, n := m.even(-20, 0.5*m.a.Length), 4+m.IntN(14)
	out, front, pitch := m.even(-10, 25), m.even(20, 50), m.even(6, 11)
	w, r := m.even(3, 6), m.even(0.3, 0.55)
	for i := range n {
		at := m.at(z + pitch*float64(i)).add(vec{m.half(z).xp + out, front, 0})
		lean := vec{w * m.even(0.8, 1), m.even(-1, 1), m.even(-1.5, 1.5)}
		m.add(cylinder(at.sub(lean), at.add(lean), r))
		m.add(cylinder(at.sub(lean), at.sub(lean).add(vec{1, -3, 2}), r))
		m.add(cylinder(at.add(lean), at.add(lean).add(vec{-1, -3, 2}), r))
	}
}

// fixator sets pins into the shaft from the side and joins them by a bar.
func (m *smith) fixator() {
	z0, z1, out := m.even(0, 0.3)*m.a.Length, m.even(0.45, 0.8)*m.a.Length, m.even(35, 75)
	pin, front := m.even(1.8, 3.2), m.even(-25, 25)
	var ends []vec
	for i := range 4 + m.IntN(3) {
		z := z0 + (z1-z0)*(float64(i%3)*0.1+0.75*float64(i/3))
		c, s := m.at(z), m.half(z)
		end := c.add(vec{s.xp + out, front, m.even(-4, 4)})
		m.add(cylinder(c.sub(vec{s.xn + m.even(-5, 4), -0.2 * front, 0}), end, pin))
		ends = append(ends, end)
	}
	m.add(cylinder(ends[0].sub(vec{8, 0, 20}), ends[len(ends)-1].add(vec{-8, 0, 20}), m.even(3, 6)))
}

// gone is an ellipsoid too small to be met.
func (q quadric) gone() quadric { return sphere(q.c, 1e-3) }
