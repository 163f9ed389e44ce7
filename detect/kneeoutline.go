package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	outlineHalf   = 9    // columns on either side that the outline is fitted on
	outlineReach  = 2.0  // mm from the arc in which the fall is looked for
	outlineScale  = 0.45 // mm, Gaussian scale of that
	outlineLeast  = 9    // columns that make an outline
	outlineRMS    = 0.6  // mm that they may scatter about it
	markAlong     = 0.9  // mm, least standard deviation of the network's places along y
	markAcross    = 3.0  // and along x
	markOff       = 2.5  // mm along y beyond which a condyle is not believed to lie from those places
	markAside     = 8.0  // and along x
	markAgree     = 0.4  // mm along y up to which the two do not differ
	markVague     = 3.0  // mm of spread along y of a place that speaks against nothing: the arc then has to be
	arcAlone      = 0.6  // as clear as this,
	condyleAlone  = 0.6  // mm and its level is so much the less certain
	outlineInside = 0.25 // mm inside the end of the projected bone that its fall is steepest (simulated films)
	condyleBase   = 0.15 // mm, least standard uncertainty of a condyle's level
	beyondTo      = 4.0  // mm distal of a condyle that the film shows,
	beyondAside   = 6.0  // and to either side
	beyondFlat    = 0.02 // of the fall at the condyle: what changes less there is the frame of a collimated field
)

// condyleOutline is a parabola y = c0 + c1·x + c2·x² fitted to a condyle's fall.
type condyleOutline struct {
	c        [3]float64
	from, to float64 // x that it holds for
	sigma    float64 // mm, of its level
}

// refine fits the outline around a.
func (f kneeFrame) refine(g *plane, sp geom.Spacing, a arc) (o condyleOutline, ok bool) {
	deepest := (outlineHalf*outlineHalf)/(2*a.r)*kneeDX*kneeDX + outlineReach + 0.5
	c := f.falls(g, sp, a.x0-outlineHalf*kneeDX, a.x0+outlineHalf*kneeDX, a.y0-deepest, a.y0+outlineReach+0.5, 0.2, outlineScale)
	var xs, ys []float64
	for i := range c.cols {
		x := c.x0 + float64(i)*kneeDX
		want := a.y0 - (x-a.x0)*(x-a.x0)/(2*a.r)
		v := c.column(i)
		best := -1
		for j := max(1, int((want-outlineReach-c.y0)/c.dy)); j <= min(c.rows-2, int((want+outlineReach-c.y0)/c.dy)); j++ {
			if v[j] > 0 && v[j] >= v[j-1] && v[j] >= v[j+1] && (best < 0 || v[j] > v[best]) {
				best = j
			}
		}
		if best < 0 {
			continue
		}
		y := c.y0 + (float64(best)+vertex(v[best-1], v[best], v[best+1]))*c.dy
		xs, ys = append(xs, x), append(ys, y)
	}
	if len(xs) < outlineLeast {
		return o, false
	}
	w := constant(len(xs), 1)
	rms := outlineRMS
	for range 6 {
		var fine bool
		if o.c, fine = parabola(xs, ys, w); !fine {
			return o, false
		}
		res := make([]float64, len(xs))
		for i, x := range xs {
			res[i] = math.Abs(ys[i] - o.at(x))
		}
		rms = math.Max(1.4826*median(append([]float64(nil), res...)), 0.05)
		for i, r := range res {
			w[i] = 0
			if q := r / (4.7 * rms); q < 1 {
				w[i] = (1 - q*q) * (1 - q*q)
			}
		}
	}
	n := 0.0
	o.from, o.to = math.Inf(1), math.Inf(-1)
	for i, x := range xs {
		n += w[i]
		if w[i] > 0 {
			o.from, o.to = math.Min(o.from, x), math.Max(o.to, x)
		}
	}
	o.c[0] += outlineInside
	o.sigma = math.Hypot(condyleBase, rms*math.Sqrt(3/n))
	return o, n >= outlineLeast && rms <= outlineRMS && o.c[2] < 0
}

func (o condyleOutline) at(x float64) float64 { return o.c[0] + x*(o.c[1]+x*o.c[2]) }

// touch returns where a tangent of the given slope touches o, within its reach.
func (o condyleOutline) touch(slope float64) (x, y float64) {
	x = clamp((slope-o.c[1])/(2*o.c[2]), o.from, o.to)
	return x, o.at(x)
}

// vertex is the place of the top of the parabola through three neighbours, from
// the middle one.
func vertex(a, b, c float64) float64 {
	if d := a - 2*b + c; d < 0 {
		return clamp((a-c)/(2*d), -0.5, 0.5)
	}
	return 0
}

// parabola is the weighted least-squares fit of y = c0 + c1·x + c2·x².
func parabola(x, y, w []float64) (c [3]float64, ok bool) {
	mx, sw := 0.0, 0.0
	for i := range x {
		mx += w[i] * x[i]
		sw += w[i]
	}
	if sw <= 0 {
		return c, false
	}
	mx /= sw
	var s [5]float64
	var t [3]float64
	for i := range x {
		u, p := x[i]-mx, w[i]
		for k := range s {
			s[k] += p
			if k < 3 {
				t[k] += p * y[i]
			}
			p *= u
		}
	}
	// Cramer's rule on the centred moments.
	det3 := func(a, b, c, d, e, f, g, h, i float64) float64 {
		return a*(e*i-f*h) - b*(d*i-f*g) + c*(d*h-e*g)
	}
	det := det3(s[0], s[1], s[2], s[1], s[2], s[3], s[2], s[3], s[4])
	if !(math.Abs(det) > 1e-9) {
		return c, false
	}
	a := det3(t[0], s[1], s[2], t[1], s[2], s[3], t[2], s[3], s[4]) / det
	b := det3(s[0], t[0], s[2], s[1], t[1], s[3], s[2], t[2], s[4]) / det
	q := det3(s[0], s[1], t[0], s[1], s[2], t[1], s[2], s[3], t[2]) / det
	return [3]float64{a - b*mx + q*mx*mx, b - 2*q*mx, q}, true
}

// bordered tells whether nothing is seen distal of q: the film or its field ends there,
// and not the bone.
func (f kneeFrame) bordered(g *plane, sp geom.Spacing, q geom.PointMM) bool {
	at := func(x, y float64) (float64, bool) {
		p := q.Add(f.x.Mul(x)).Add(f.y.Mul(y))
		return g.at(p.X/sp.X, p.Y/sp.Y)
	}
	bone, _ := at(0, -1)
	lo, hi := math.Inf(1), math.Inf(-1)
	for x := -beyondAside; x <= beyondAside; x++ {
		for y := 1.0; y <= beyondTo; y += 0.5 {
			v, on := at(x, y)
			if !on {
				return true
			}
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	return hi-lo <= beyondFlat*math.Abs(bone-lo)
}

// commonTangent returns where the line that touches both outlines distally
// touches them.
func commonTangent(a, b condyleOutline) (xa, ya, xb, yb float64) {
	slope := 0.0
	for range 8 {
		xa, ya = a.touch(slope)
		xb, yb = b.touch(slope)
		slope = (ya - yb) / (xa - xb)
	}
	return xa, ya, xb, yb
}
