package simulate

import (
	"math"
	"math/rand/v2"
)

// Varied returns a femur like m of another shape: other proportions along the
// three axes, more or less bow, head and neck bent, turned, longer or
// shorter and stouter or thinner, the head and the trochanter larger or smaller.
func (m *Mesh) Varied(rng *rand.Rand) *Mesh {
	scale := vec{span{0.85, 1.15}.even(rng), span{0.85, 1.15}.even(rng), span{0.85, 1.15}.even(rng)}
	bend, turn, longer := span{-20, 20}.even(rng), span{-18, 18}.even(rng), span{-0.15, 0.2}.even(rng)
	stout := span{0.85, 1.22}.even(rng)
	bowX, bowY := span{-0.6, 0.6}.even(rng), span{-0.5, 0.5}.even(rng)
	ball, greater := span{0.88, 1.14}.even(rng), span{0.75, 1.3}.even(rng)
	twist := span{-14, 14}.even(rng)
	knee := span{0.9, 1.12}.even(rng)
	tilt := span{-5, 5}.even(rng)

	r := m.headRadius()
	root := vec{0, 0, -22}
	axis := m.Head.sub(root)
	long := axis.norm()
	axis = axis.mul(1 / long)
	tip := m.tip()
	move := func(p vec) vec {
		if p[2] < 5 {
			along := p.sub(root).dot(axis)
			w := smooth((along-4)/(0.5*long)) * smooth((5-p[2])/20)
			beside := p.sub(root).sub(axis.mul(along))
			p = p.add(beside.mul((stout - 1) * w * smooth((0.85*long-along)/(0.3*long)))) // the neck's girth
			p = p.add(axis.mul(longer * long * smooth(along/long-0.1)))
			q := p.sub(root)
			sn, cs := sincosDeg(bend * w)
			q = vec{q[0]*cs + q[2]*sn, q[1], q[2]*cs - q[0]*sn}
			sn, cs = sincosDeg(turn * w)
			q = vec{q[0]*cs - q[1]*sn, q[0]*sn + q[1]*cs, q[2]}
			p = q.add(root)
			// The greater trochanter, lateral to the shaft's axis.
			g := (greater - 1) * smooth((p[0]+2)/12) * smooth((-20-p[2])/15)
			p = p.add(vec{p[0] * g, p[1] * g, (p[2] + 20) * g})
		}
		if z := m.Length - p[2]; z < 90 { // the knee
			w := smooth((90 - z) / 70)
			x, y := m.Centre(m.Length - 40)
			p[0], p[1] = x+(p[0]-x)*(1+(knee-1)*w), y+(p[1]-y)*(1+(knee-1)*w)
			sn, cs := sincosDeg(tilt * w)
			dx, dz := p[0]-x, p[2]-(m.Length-60)
			p[0], p[2] = x+dx*cs-dz*sn, m.Length-60+dx*sn+dz*cs
		}
		sn, cs := sincosDeg(twist * p[2] / m.Length)
		p[0], p[1] = p[0]*cs-p[1]*sn, p[0]*sn+p[1]*cs
		for k := range p {
			p[k] *= scale[k]
		}
		u := (p[2] - 100) / 1000
		p[0] -= 500 * bowX * u * u
		p[1] -= 500 * bowY * u * u
		return p
	}
	out := &Mesh{Vertices: make([]vec, len(m.Vertices)), Triangles: m.Triangles, ring: m.ring}
	head := move(m.Head)
	ball *= math.Cbrt(scale[0] * scale[1] * scale[2])
	for i, p := range m.Vertices {
		out.Vertices[i] = move(p)
		// A head stays a ball.
		if d := p.sub(m.Head); d.norm() < 1.6*r {
			w := smooth((1.6*r - d.norm()) / (0.5 * r))
			out.Vertices[i] = out.Vertices[i].mul(1 - w).add(head.add(d.mul(ball)).mul(w))
		}
	}
	z := out.Vertices[tip][2]
	c := out.section(z+120, z+130)
	out.settle(vec{c[0], c[1], z})
	if out.fitHead() != nil {
		return m
	}
	return out
}

// uneven returns m with its surface above the shaft raised and lowered in waves
// of 20 to 70 mm, by up to 1.5 mm: heads that are not quite round, other necks.
func (m *Mesh) uneven(rng *rand.Rand) *Mesh {
	type ripple struct {
		k     vec
		p, by float64
	}
	var ripples [5]ripple
	size := 0.7 * rng.Float64()
	for i := range ripples {
		d := vec{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}.unit()
		ripples[i] = ripple{d.mul(2 * math.Pi / span{20, 70}.even(rng)), 2 * math.Pi * rng.Float64(), size * rng.Float64()}
	}
	out := &Mesh{Vertices: make([]vec, len(m.Vertices)), Triangles: m.Triangles, ring: m.ring, Length: m.Length, centres: m.centres}
	for i, p := range m.Vertices {
		h := 0.0
		for _, w := range ripples {
			h += w.by * math.Sin(w.k.dot(p)+w.p)
		}
		out.Vertices[i] = p.add(m.Normals[i].mul(h * smooth((20-p[2])/20)))
	}
	out.normals()
	if out.fitHead() != nil {
		return m
	}
	return out
}

// egg returns m with a head that is no ball: drawn out or pressed flat along some
// direction by up to an eighth, and often worn flat by up to 4 mm where it bears, or
// m itself.
func (m *Mesh) egg(rng *rand.Rand) *Mesh {
	if rng.Float64() < 0.4 {
		return m
	}
	direction := func() vec { return vec{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}.unit() }
	r := m.headRadius()
	long, by := direction(), span{-0.12, 0.08}.even(rng)*rng.Float64()
	worn, deep := direction(), span{-2, 4}.even(rng)
	if out := m.Head.sub(vec{0, 0, -22}); worn.dot(out) < 0 { // not the neck's side
		worn = worn.mul(-1)
	}
	const edge = 1.5 // mm over which the worn face bends into the ball
	out := &Mesh{Vertices: make([]vec, len(m.Vertices)), Triangles: m.Triangles, ring: m.ring, Length: m.Length, centres: m.centres}
	for i, p := range m.Vertices {
		d := p.sub(m.Head)
		w := smooth((1.7*r - d.norm()) / (0.6 * r))
		d = d.add(long.mul(by * w * d.dot(long)))
		if over := (d.dot(worn) - r + deep) / edge; deep > 0 && w > 0 {
			d = d.sub(worn.mul(w * edge * math.Log1p(math.Exp(over))))
		}
		out.Vertices[i] = m.Head.add(d)
	}
	out.normals()
	if out.fitHead() != nil {
		return m
	}
	return out
}

// tip is the index of the vertex at the lesser trochanter's tip.
func (m *Mesh) tip() int {
	best := 0
	for i, p := range m.Vertices {
		if abs(p[2]) < 8 && p[0] < m.Vertices[best][0] || abs(m.Vertices[best][2]) >= 8 {
			best = i
		}
	}
	return best
}
