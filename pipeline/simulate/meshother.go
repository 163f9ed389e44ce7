package simulate

import (
	"math"
	"math/rand/v2"
)

// asOther turns a drawn scene into one without a femur: in place of its legs it
// shows one bone of an arm or of a lower leg that is made of a femur's surface, so
// that its texture, its cortex and the film around it are those of films with a
// femur and only its shape is not.
func (s Scene) asOther(rng *rand.Rand, m *Mesh) Scene {
	arm := rng.IntN(2) == 0
	o := m.pared(rng, arm)
	leg := s.Legs[0]
	leg.Mesh, leg.Anatomy = o, o.Fit(leg.Anatomy)
	leg.Anatomy.dress(rng, o)
	leg.Pose.Pivot[2] = o.Length * span{-0.05, 1}.even(rng)
	leg.Pose.Pivot[0], leg.Pose.Pivot[1] = o.Centre(leg.Pose.Pivot[2])
	if rng.Float64() < 0.3 {
		leg.Pose.Slant += 180
	}
	leg.Implant, leg.Break, leg.Lower, leg.Bare = "", nil, false, false
	r := span{32, 70}.even(rng)
	leg.Thigh = Thigh{Hip: r, Middle: r * span{0.75, 1.1}.even(rng), Knee: r * span{0.6, 1.1}.even(rng), Flat: span{0.8, 1.1}.even(rng), Fat: span{2, 0.4 * r}.even(rng)}
	s.Legs, s.Pelvis, s.Group, s.Content = []Leg{leg}, Pelvis{}, NegativeGroup, "humerus"
	if !arm {
		s.Content = "lower_leg"
		if rng.Float64() < 0.85 { // the fibula
			d := &drawing{Rand: rng}
			f := shape{length: o.Length * span{0.9, 1.02}.even(rng), top: span{8, 13}.even(rng), waist: span{4.5, 7.5}.even(rng), bottom: span{8, 13}.even(rng), flat: 1, wall: 2.5,
				x: span{22, 38}.even(rng), y: span{-24, 10}.even(rng), z: span{-20, 10}.even(rng), lean: span{-0.03, 0.03}.even(rng)}
			s.Other = []prop{{bones: []*bone{d.longBone(f)}, pose: leg.Pose}}
		}
	}
	return s
}

// pared returns a bone of the arm or of the lower leg made of a femur: without the
// trochanters, its ends as wide as theirs are, the whole more slender and shorter.
// A humerus keeps the head, close to the shaft, and is flat at the elbow; a tibia
// has its plateau where the femur has its condyles.
func (m *Mesh) pared(rng *rand.Rand, arm bool) *Mesh {
	even := func(lo, hi float64) float64 { return span{lo, hi}.even(rng) }
	x0, y0 := m.Centre(45)
	r := 0.0 // half-width of the shaft
	for _, p := range m.Vertices {
		if abs(p[2]-45) < 4 {
			r = max(r, math.Hypot(p[0]-x0, p[1]-y0))
		}
	}
	scale := vec{even(0.72, 1), even(0.72, 1), even(0.72, 0.95)}
	if arm {
		scale = vec{even(0.6, 0.88), even(0.6, 0.88), even(0.62, 0.85)}
	}
	root := vec{0, 0, -22}
	axis := m.Head.sub(root)
	long := axis.norm()
	axis = axis.mul(1 / long)
	short, rise, low := even(0.3, 0.6), even(0, 14), even(0.3, 0.8)
	flat, wide, cut := even(0.3, 0.65), even(0.85, 1.1), even(16, 30)
	girth, rest := even(1.1, 1.7), even(0.02, 0.15)
	bowX, bowY := even(-0.5, 0.5), even(-0.2, 1.6)
	out := &Mesh{Vertices: make([]vec, len(m.Vertices)), Triangles: m.Triangles, ring: m.ring, Head: m.Head}
	for i, p := range m.Vertices {
		if arm && p[2] < 5 {
			if along := p.sub(root).dot(axis); along > 0 {
				p = p.sub(axis.mul(along * (1 - short)))
				p[2] -= rise * smooth(along/long)
			}
			if p[0] > -2 && p[2] < -20 { // the greater trochanter
				p[2] = -20 + low*(p[2]+20)
			}
		}
		x, y := m.Centre(p[2])
		q := vec{p[0] - x, p[1] - y, p[2]}
		most, from := r, 1.0 // what is wider is pressed in, all of it or above some level
		if arm {
			from = smooth((q[2] + 28) / 14)
		} else {
			most = r * (1 + (girth-1)*smooth((20-q[2])/50))
		}
		if d := math.Hypot(q[0], q[1]); d > most && q[2] < 32 {
			f := (most + rest*(d-most)) / d
			f += (1 - f) * (1 - from)
			q[0], q[1] = q[0]*f, q[1]*f
		}
		if below := smooth((q[2] - m.Length + 85) / 60); arm {
			q[0], q[1] = q[0]*(1+(wide-1)*below), q[1]*(1+(flat-1)*below)
		} else {
			if end := m.Length - cut; q[2] > end {
				q[2] = end + 0.12*(q[2]-end)
			}
			if q[2] < 20 {
				q[2] = 20 + 0.4*(q[2]-20)
			}
			q[1] *= 1 + (wide-1)*below
		}
		u := (q[2] - 150) / 1000
		out.Vertices[i] = vec{scale[0] * (q[0] + x - 500*bowX*u*u), scale[1] * (q[1] + y + 500*bowY*u*u), scale[2] * q[2]}
	}
	out.settle(vec{0, 0, 0})
	return out
}
