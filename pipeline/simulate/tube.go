package simulate

import "math"

// tubeStep is the distance between the stations of a tube in mm.
const tubeStep = 0.5

// station is the cross-section of a tube at one z: four quarter ellipses around
// (cx, cy), which join with common tangents, times 1 + e(θ).
type station struct {
	cx, cy         float64
	xp, xn, yp, yn float64 // half-widths towards +x, −x, +y, −y in mm
	three          float64 // amplitude of the three-lobed term sin 3θ
	four           float64 // amplitude of the four-lobed term cos 4θ
	ridge          float64 // height of the ridge at −y (the linea aspera), as a fraction of the half-width
	soft           float64 // width in mm over which the surface is blurred
	density        float64 // relative density of what is inside
}

// tube is a star-shaped surface around a curved centre line, given by stations
// at constant z from z0, tubeStep apart. Outside the stations it does not exist.
type tube struct {
	z0 float64
	st []station
}

func (t *tube) z1() float64 { return t.z0 + tubeStep*float64(len(t.st)-1) }

// index returns the station below z and the fraction of the step above it,
// clamped to the ends.
func (t *tube) index(z float64) (int, float64) {
	f := (z - t.z0) / tubeStep
	if f <= 0 {
		return 0, 0
	}
	i := int(f)
	if i >= len(t.st)-1 {
		return len(t.st) - 2, 1
	}
	return i, f - float64(i)
}

// centre returns the centre line at z.
func (t *tube) centre(z float64) (x, y float64) {
	i, f := t.index(z)
	a, b := &t.st[i], &t.st[i+1]
	return a.cx + f*(b.cx-a.cx), a.cy + f*(b.cy-a.cy)
}

// level is negative inside the surface, 0 on it and positive outside; along a
// straight line it is nearly a parabola (for an ellipse exactly).
func (t *tube) level(x, y, z float64) float64 {
	i, f := t.index(z)
	a, b := &t.st[i], &t.st[i+1]
	x -= a.cx + f*(b.cx-a.cx)
	y -= a.cy + f*(b.cy-a.cy)
	if x >= 0 {
		x /= a.xp + f*(b.xp-a.xp)
	} else {
		x /= a.xn + f*(b.xn-a.xn)
	}
	if y >= 0 {
		y /= a.yp + f*(b.yp-a.yp)
	} else {
		y /= a.yn + f*(b.yn-a.yn)
	}
	q := x*x + y*y
	if q < 1e-6 {
		return q - 1
	}
	r := math.Sqrt(q)
	e := 1 + (a.three+f*(b.three-a.three))*(3*x*x*y-y*y*y)/(q*r)
	if h := a.four + f*(b.four-a.four); h != 0 {
		e += h * (x*x*x*x - 6*x*x*y*y + y*y*y*y) / (q * q)
	}
	if h := a.ridge + f*(b.ridge-a.ridge); h != 0 && y < 0 {
		s := y * y / q
		s *= s
		s *= s
		e += h * s * s
	}
	return q/(e*e) - 1
}

// crossing is where a ray meets a tube.
type crossing struct {
	interval
	z     float64 // level of the middle of the crossing
	min   float64 // least value of tube.level along the ray: 0 on a tangent ray
	curve float64 // level ≈ min + curve·(t − middle)²
}

// cross intersects the ray o + t·d (d of unit length, not along z) with the
// tube; near is a t in the neighbourhood. hit is false when the ray misses; c is
// then good only for its min, and only when that is below 0.3.
func (t *tube) cross(o, d vec, near float64) (c crossing, hit bool) {
	xy := d[0]*d[0] + d[1]*d[1]
	m := near
	for range 3 {
		cx, cy := t.centre(o[2] + m*d[2])
		m = ((cx-o[0])*d[0] + (cy-o[1])*d[1]) / xy
	}
	c.z = o[2] + m*d[2]
	c.min = math.Inf(1)
	if c.z < t.z0-40 || c.z > t.z1()+40 {
		return c, false
	}
	g := func(s float64) float64 { return t.level(o[0]+s*d[0], o[1]+s*d[1], o[2]+s*d[2]) }
	g0 := g(m)
	if g0 > 3 {
		return c, false
	}
	// The half-chord of a section of this shape around its centre.
	i, f := t.index(c.z)
	a, b := &t.st[i], &t.st[i+1]
	h := 0.7 * math.Min(a.yp+f*(b.yp-a.yp), a.xp+f*(b.xp-a.xp))
	for k := range 4 {
		if k > 0 {
			g0 = g(m)
		}
		lo, hi := g(m-h), g(m+h)
		c.curve = (lo + hi - 2*g0) / (2 * h * h)
		slope := (hi - lo) / (2 * h)
		if !(c.curve > 1e-9) {
			return c, false
		}
		step := -slope / (2 * c.curve)
		c.min = g0 - slope*slope/(4*c.curve)
		if c.min > 0.3 {
			return c, false
		}
		m += math.Max(-2*h, math.Min(2*h, step))
		half := math.Sqrt(math.Max(-c.min, 0) / c.curve)
		c.interval = interval{m - half, m + half}
		if math.Abs(step)+math.Abs(half-h) < 1e-3 {
			break
		}
		h = math.Max(half, 0.3)
	}
	c.z = o[2] + m*d[2]
	if c.min >= 0 {
		return c, false
	}
	return c, t.clip(o, d, &c.interval)
}

// clip cuts v to the part of the ray between the tube's ends.
func (t *tube) clip(o, d vec, v *interval) bool {
	if d[2] == 0 {
		return o[2] >= t.z0 && o[2] <= t.z1()
	}
	a, b := (t.z0-o[2])/d[2], (t.z1()-o[2])/d[2]
	v.a = math.Max(v.a, math.Min(a, b))
	v.b = math.Min(v.b, math.Max(a, b))
	return v.b > v.a
}

// shells are the places, as fractions of a soft surface's width, of the nested
// surfaces that are averaged.
var shells = [...]float64{-0.4, -0.2, 0, 0.2, 0.4}

// softChord returns the mean chord through the nested surfaces of a tube whose
// surface is soft: the surface itself moved by up to half its width inward and
// outward.
func (t *tube) softChord(c crossing) float64 {
	i, f := t.index(c.z)
	a, b := &t.st[i], &t.st[i+1]
	w := a.soft + f*(b.soft-a.soft)
	r := (a.xp + a.xn + f*(b.xp+b.xn-a.xp-a.xn)) / 2
	sum := 0.0
	for _, s := range shells {
		k := 1 + s*w/r
		if v := k*k - 1 - c.min; v > 0 {
			sum += 2 * math.Sqrt(v/c.curve)
		}
	}
	return sum / float64(len(shells))
}
