package simulate

import "math"

// polar is a stretch of a femur's shaft as radii around its centre line: that
// of the outer surface and that of the medullary one, by station and angle (0 is
// lateral, 90° anterior). The bare surfaces are the same without thickenings.
type polar struct {
	z0            float64 // of the first station
	n             int     // stations, polarStep apart
	cx, cy        []float64
	soft, dense   []float64 // width of the inner edge's transition, density inside
	out, in       []float32 // n × polarAngles
	bareOut, bare []float32
}

const (
	polarStep   = 0.5 // mm
	polarAngles = 120
)

// polarTurn holds the cosines and sines of the angles.
var polarTurn = func() (t [polarAngles][2]float64) {
	for i := range t {
		t[i][1], t[i][0] = math.Sincos(2 * math.Pi * float64(i) / polarAngles)
	}
	return t
}()

func newPolar(z0, z1 float64) *polar {
	n := int(math.Ceil((z1-z0)/polarStep)) + 1
	return &polar{z0: z0, n: n, cx: make([]float64, n), cy: make([]float64, n), soft: make([]float64, n), dense: make([]float64, n),
		out: make([]float32, n*polarAngles), in: make([]float32, n*polarAngles)}
}

func (p *polar) z(i int) float64 { return p.z0 + polarStep*float64(i) }

// radius returns the distance from the centre line of the station's surface in
// the direction (c, s) of unit length.
func (st *station) radius(c, s float64) float64 {
	x, y := c/st.xp, s/st.yp
	if c < 0 {
		x = c / st.xn
	}
	if s < 0 {
		y = s / st.yn
	}
	k := x*x + y*y
	r := 1 / math.Sqrt(k)
	x, y = x*r, y*r
	e := 1 + st.three*(3*x*x*y-y*y*y)
	if st.four != 0 {
		e += st.four * (x*x*x*x - 6*x*x*y*y + y*y*y*y)
	}
	if st.ridge != 0 && y < 0 {
		q := y * y
		q *= q
		e += st.ridge * q * q
	}
	return e * r
}

// polarOf takes the stretch from z0 to z1 of a bone's two tubes.
func (b *bone) polarOf(z0, z1 float64) *polar {
	z0, z1 = max(z0, b.outer.z0+2), min(z1, b.outer.z1()-4)
	p := newPolar(z0, z1)
	for i := range p.n {
		k, _ := b.outer.index(p.z(i) + polarStep/2)
		o, in := &b.outer.st[k], &b.inner.st[k]
		p.cx[i], p.cy[i], p.soft[i], p.dense[i] = o.cx, o.cy, in.soft, in.density
		for a, t := range polarTurn {
			p.out[i*polarAngles+a] = float32(o.radius(t[0], t[1]))
			p.in[i*polarAngles+a] = float32(in.radius(t[0], t[1]))
		}
	}
	return p
}

// Mesh sections are taken every meshPolar mm and are smoothed, since the
// triangles of a surface are some millimetres wide.
const meshPolar = 1.5

// polarOf takes the stretch from z0 to z1 of a surface whose cortex is that of a.
func (m *Mesh) polarOf(a Anatomy, z0, z1 float64) *polar {
	z1 = min(z1, m.Length-20)
	rows := int((z1-z0)/meshPolar) + 3
	coarse := make([]float64, rows*polarAngles)
	level := func(i int) float64 { return z0 + meshPolar*float64(i-1) }
	cut := func(i int, p, q vec) { // a section's segment from p to q
		x, y := m.Centre(level(i))
		ax, ay, bx, by := p[0]-x, p[1]-y, q[0]-x, q[1]-y
		a, b := math.Atan2(ay, ax), math.Atan2(by, bx)
		if a > b {
			a, b, ax, ay, bx, by = b, a, bx, by, ax, ay
		}
		if b-a > math.Pi { // across the direction −x
			a, b, ax, ay, bx, by = b, a+2*math.Pi, bx, by, ax, ay
		}
		const per = polarAngles / (2 * math.Pi)
		for k := int(math.Ceil(a * per)); float64(k) <= b*per; k++ {
			j := (k%polarAngles + polarAngles) % polarAngles
			t := polarTurn[j]
			// Where the direction meets the segment.
			dx, dy := bx-ax, by-ay
			if det := t[0]*dy - t[1]*dx; abs(det) > 1e-9 {
				if r := (ax*dy - ay*dx) / det; r > coarse[i*polarAngles+j] && r < 60 {
					coarse[i*polarAngles+j] = r
				}
			}
		}
	}
	for _, t := range m.Triangles {
		v := [3]vec{m.Vertices[t[0]], m.Vertices[t[1]], m.Vertices[t[2]]}
		lo, hi := min(v[0][2], v[1][2], v[2][2]), max(v[0][2], v[1][2], v[2][2])
		for i := max(0, int(math.Ceil((lo-level(0))/meshPolar))); i < rows && level(i) < hi; i++ {
			var at [2]vec
			n := 0
			for k := range 3 {
				p, q := v[k], v[(k+1)%3]
				if (p[2] <= level(i)) != (q[2] <= level(i)) && n < 2 {
					at[n] = p.add(q.sub(p).mul((level(i) - p[2]) / (q[2] - p[2])))
					n++
				}
			}
			if n == 2 {
				cut(i, at[0], at[1])
			}
		}
	}
	smoothRing(coarse, rows)
	wall, soft, dense := a.walls(), a.softness(), a.cancellous()
	p := newPolar(z0, z1)
	inner := make([]float64, len(coarse))
	for i := range rows {
		var w [4]float64
		for k := range w {
			w[k] = wall[k].at(level(i))
		}
		for j, t := range polarTurn {
			k, l := 0, 2
			if t[0] < 0 {
				k = 1
			}
			if t[1] < 0 {
				l = 3
			}
			r := coarse[i*polarAngles+j]
			inner[i*polarAngles+j] = max(min(r-0.5, 1.8), r-t[0]*t[0]*w[k]-t[1]*t[1]*w[l])
		}
	}
	for range 3 {
		smoothRing(inner, rows)
	}
	for i := range p.n {
		z := p.z(i)
		p.cx[i], p.cy[i] = m.Centre(z)
		p.soft[i], p.dense[i] = a.Soft*soft.at(z), dense.at(z)
		f := (z - level(0)) / meshPolar
		k := min(int(f), rows-2)
		f -= float64(k)
		for j := range polarAngles {
			at := func(v []float64) float32 {
				return float32(v[k*polarAngles+j]*(1-f) + f*v[(k+1)*polarAngles+j])
			}
			p.out[i*polarAngles+j] = at(coarse)
			p.in[i*polarAngles+j] = min(at(inner), p.out[i*polarAngles+j]-0.4)
		}
	}
	return p
}

// smoothRing blurs radii over neighbours along and around.
func smoothRing(v []float64, rows int) {
	for range 2 {
		w := append([]float64(nil), v...)
		for i := range rows {
			for j := range polarAngles {
				l, r := (j+polarAngles-1)%polarAngles, (j+1)%polarAngles
				u, d := max(i-1, 0), min(i+1, rows-1)
				v[i*polarAngles+j] = 0.4*w[i*polarAngles+j] + 0.15*(w[i*polarAngles+l]+w[i*polarAngles+r]+w[u*polarAngles+j]+w[d*polarAngles+j])
			}
		}
	}
}

// knob is a bump of a polar surface: highest in the direction Around, in degrees
// from lateral towards anterior, and falling off to either side as the cosine to
// the power Narrow; with Narrow 0 it goes all around.
type knob struct {
	Bump
	Outer          float64 // share of the height outside
	Around, Narrow float64
}

// raise adds knobs to both surfaces.
func (p *polar) raise(knobs []knob) {
	for _, k := range knobs {
		var w [polarAngles]float64
		for a := range w {
			_, c := sincosDeg(360*float64(a)/polarAngles - k.Around)
			switch {
			case k.Narrow == 0:
				w[a] = 1
			case c > 0:
				w[a] = math.Pow(c, k.Narrow)
			}
		}
		for i := range p.n {
			h := k.at(p.z(i))
			if abs(h) < 1e-3 {
				continue
			}
			for a, f := range w {
				p.out[i*polarAngles+a] += float32(h * k.Outer * f)
				p.in[i*polarAngles+a] -= float32(h * (1 - k.Outer) * f)
			}
		}
	}
	p.open()
}

// open keeps the canal inside the bone and open.
func (p *polar) open() {
	for i, r := range p.out {
		p.in[i] = max(min(p.in[i], r-0.4), min(1.8, 0.6*r))
	}
}

// roughen moves the surfaces by noise of those standard deviations in mm, of
// about long mm along the shaft.
func (p *polar) roughen(tex *tile, outer, inner, long float64) {
	for i := range p.n {
		y := p.z(i) / long * 2
		for a := range polarAngles {
			// Around, the same pattern forth and back so that it closes.
			x := float64(min(a, polarAngles-a)) * 0.7 / math.Sqrt(long)
			p.out[i*polarAngles+a] += float32(outer * tex.at(x+91, y))
			p.in[i*polarAngles+a] += float32(inner * tex.at(x, y+37))
		}
	}
	p.open()
}

// section is the plane through the source and a line on the detector.
type section struct {
	p, a   vec     // of the line, body frame
	sx, sy float64 // slope of the plane: z by x and y
	sid    float64
	h, u   vec     // a place's height over the detector, and what it is along the
	h0, u0 float64 // line, before projection, are linear in the place
	ub     float64 // the source's place on the line
}

func newSection(pl *placement, beam Beam, px, py, ax, ay float64) section {
	s := section{sid: beam.SID}
	s.p, s.a = pl.body(vec{px, py, 0}), pl.inverse.mul(vec{ax, ay, 0})
	n := s.a.cross(pl.body(beam.source()).sub(s.p))
	s.sx, s.sy = -n[0]/n[2], -n[1]/n[2]
	s.h = pl.r[2]
	s.h0 = pl.at[2] - s.h.dot(pl.pivot)
	s.u = pl.r[0].mul(ax).add(pl.r[1].mul(ay))
	s.u0 = (pl.at[0]-beam.X)*ax + (pl.at[1]-beam.Y)*ay - s.u.dot(pl.pivot)
	s.ub = (beam.X-px)*ax + (beam.Y-py)*ay
	return s
}

func (s *section) z(x, y float64) float64 { return s.p[2] + s.sx*(x-s.p[0]) + s.sy*(y-s.p[1]) }

// loop is a closed curve in a section: places along the line on the detector and
// heights over it.
type loop struct{ u, h [polarAngles]float64 }

// cut puts into rings the curves in which the section meets a surface of p and
// those that lie shifts times the softness inside it.
func (s *section) cut(p *polar, surface []float32, shifts []float64, rings []loop) {
	zc := s.z(p.cx[p.n/2], p.cy[p.n/2])
	at := func(z float64) (int, float64) {
		f := (z - p.z0) / polarStep
		if f <= 0 {
			return 0, 0
		}
		i := int(f)
		if i >= p.n-1 {
			return p.n - 2, 1
		}
		return i, f - float64(i)
	}
	for range 3 {
		i, f := at(zc)
		zc = s.z(p.cx[i]+f*(p.cx[i+1]-p.cx[i]), p.cy[i]+f*(p.cy[i+1]-p.cy[i]))
	}
	z := zc
	for a, t := range polarTurn {
		var x, y float64
		var i int
		var f float64
		for range 3 {
			i, f = at(z)
			lo, hi := surface[i*polarAngles+a], surface[(i+1)*polarAngles+a]
			r := float64(lo) + f*float64(hi-lo)
			x, y = p.cx[i]+f*(p.cx[i+1]-p.cx[i])+r*t[0], p.cy[i]+f*(p.cy[i+1]-p.cy[i])+r*t[1]
			z = s.z(x, y)
		}
		h, u := s.h[0]*x+s.h[1]*y+s.h[2]*z+s.h0, s.u[0]*x+s.u[1]*y+s.u[2]*z+s.u0
		ht, ut := s.h[0]*t[0]+s.h[1]*t[1], s.u[0]*t[0]+s.u[1]*t[1] // by mm outwards
		for k, shift := range shifts {
			d := shift * p.soft[i]
			hd := h - d*ht
			rings[k].h[a] = hd
			rings[k].u[a] = s.ub + (u-d*ut)*s.sid/(s.sid-hd)
		}
	}
}

// chords adds weight times the height inside the loop above each of the places
// k·du of the line.
func (r *loop) chords(out []float64, du, weight float64) {
	last := polarAngles - 1
	u0, h0 := r.u[last]/du, r.h[last]*weight
	for a := range polarAngles {
		u1, h1 := r.u[a]/du, r.h[a]*weight
		if u0 != u1 {
			ua, ub, ha, hb, sign := u0, u1, h0, h1, 1.0
			if ua > ub {
				ua, ub, ha, hb, sign = ub, ua, hb, ha, -1
			}
			if ub > 0 && ua < float64(len(out)) {
				k := max(0, int(math.Ceil(ua)))
				end := min(len(out), int(math.Ceil(ub)))
				slope := (hb - ha) / (ub - ua)
				for ; k < end; k++ {
					out[k] += sign * (ha + slope*(float64(k)-ua))
				}
			}
		}
		u0, h0 = u1, h1
	}
}

// edges returns the least and the greatest place of the loop on the line.
func (r *loop) edges() (lo, hi float64) {
	lo, hi = r.u[0], r.u[0]
	for _, u := range r.u {
		lo, hi = min(lo, u), max(hi, u)
	}
	return lo, hi
}

// heights returns the lowest and the highest place of the loop above u.
func (r *loop) heights(u float64) (lo, hi float64, hit bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	last := polarAngles - 1
	for a := range polarAngles {
		ua, ub := r.u[last], r.u[a]
		if (ua <= u) != (ub <= u) {
			h := r.h[last] + (r.h[a]-r.h[last])*(u-ua)/(ub-ua)
			lo, hi = min(lo, h), max(hi, h)
		}
		last = a
	}
	return lo, hi, hi > lo
}
