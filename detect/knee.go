package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// The condyles' distal outlines are searched in a frame whose x runs from the
// medial to the lateral condyle and whose y runs distally. Going distally the
// film turns from bone to joint space there: a fall. The tibial plateau below
// begins with a rise, so that its nearness, or its overlap, does not move the
// fall.
const (
	kneeAcross  = 56.0 // mm from the knee's middle that the frame reaches to either side
	kneeAlong   = 28.0 // mm that it reaches proximally and distally
	kneeDX      = 1.0  // mm between columns, each the mean over as much
	kneeDY      = 0.25 // mm between rows
	kneeScale   = 0.7  // mm, Gaussian scale of the search
	kneeLeans   = 4.0  // degrees, standard deviation of the tangent's direction from that of the network's places
	condyleHalf = 23.0 // mm, usual half-distance of the condyles
	condyleVary = 4.0  // standard deviation of that

	arcHalf   = 9    // columns on either side of an arc's middle
	arcLeast  = 0.25 // mean evidence of an arc that is there
	arcNear   = 10.0 // mm from the knee's middle to an arc's, at least
	arcFar    = 42.0 // and at most
	arcsKept  = 8    // of a side
	arcsApart = 2.0  // mm between two of them
	arcPrior  = 0.06 // what a standard deviation from the usual, or from the place expected, costs when squared

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

// arcRadii are the radii in mm of the outlines tried.
var arcRadii = [...]float64{10, 14, 19, 26, 38}

// kneeFrame is the frame of a knee on the film, mm.
type kneeFrame struct{ origin, x, y geom.PointMM }

func (f kneeFrame) at(x, y float64) geom.PointMM {
	return f.origin.Add(f.x.Mul(x)).Add(f.y.Mul(y))
}

// newKneeFrame has its origin half way between the condyles; distal says which
// way y points.
func newKneeFrame(lateral, medial, distal geom.PointMM) kneeFrame {
	f := kneeFrame{origin: lateral.Add(medial).Mul(0.5), x: lateral.Sub(medial).Unit()}
	f.y = geom.PointMM{X: -f.x.Y, Y: f.x.X}
	if f.y.Dot(distal) < 0 {
		f.y = f.y.Mul(-1)
	}
	return f
}

// columns is a part of a knee's frame as columns along y: the falls of
// brightness distally, in grey levels a mm. NaN is off the film.
type columns struct {
	x0, y0     float64 // of the first place
	cols, rows int
	dy         float64
	v          []float64 // column by column
}

func (c *columns) column(i int) []float64 { return c.v[i*c.rows : (i+1)*c.rows] }

// falls samples g between x0 and x1, y0 and y1 of f every dy mm and takes the
// fall at a Gaussian scale.
func (f kneeFrame) falls(g *plane, sp geom.Spacing, x0, x1, y0, y1, dy, scale float64) *columns {
	r := int(2.5 * scale / dy)
	kernel := make([]float64, r+1)
	norm := 0.0
	for d := 1; d <= r; d++ {
		u := float64(d) * dy / scale
		kernel[d] = u * math.Exp(-u*u/2)
		norm += 2 * kernel[d] * float64(d) * dy
	}
	c := &columns{x0: x0, y0: y0, cols: int((x1-x0)/kneeDX) + 1, rows: int((y1-y0)/dy) + 1, dy: dy}
	c.v = make([]float64, c.cols*c.rows)
	raw := make([]float64, c.rows+2*r)
	for i := range c.cols {
		for j := range raw {
			sum := 0.0
			for _, o := range [3]float64{-1.0 / 3, 0, 1.0 / 3} {
				q := f.at(x0+(float64(i)+o)*kneeDX, y0+float64(j-r)*dy)
				v, ok := g.at(q.X/sp.X, q.Y/sp.Y)
				if !ok {
					v = math.NaN()
				}
				sum += v
			}
			raw[j] = sum / 3
		}
		for j := range c.rows {
			s := 0.0
			for d := 1; d <= r; d++ {
				s += kernel[d] * (raw[j+r-d] - raw[j+r+d])
			}
			c.v[i*c.rows+j] = s / norm
		}
	}
	return c
}

// compress turns the falls into evidence, −1 … 1, so that metal or a letter does
// not outweigh bone; what is off the film says nothing.
func (c *columns) compress() {
	sum, n := 0.0, 0.0
	for _, v := range c.v {
		if !math.IsNaN(v) {
			sum += math.Abs(v)
			n++
		}
	}
	size := 1.5*sum/math.Max(n, 1) + 1e-9
	for i, v := range c.v {
		if math.IsNaN(v) {
			c.v[i] = 0
			continue
		}
		c.v[i] = v / (math.Abs(v) + size)
	}
}

// arc is a condyle's distal outline: y = y0 − (x − x0)²/(2r).
type arc struct{ x0, y0, r, score float64 }

// arcs returns the outlines, the best first, whose middle lies between x0 and x1.
func (c *columns) arcs(x0, x1 float64) (out []arc) {
	var drop [len(arcRadii)][2*arcHalf + 1]int
	for n, r := range arcRadii {
		for k := range drop[n] {
			d := float64(k-arcHalf) * kneeDX
			drop[n][k] = int(math.Round(d * d / (2 * r) / c.dy))
		}
	}
	for i := max(arcHalf, int((x0-c.x0)/kneeDX)); i <= min(c.cols-1-arcHalf, int((x1-c.x0)/kneeDX)); i++ {
		for j := range c.rows {
			// What is no edge in the middle and at both sides is no arc.
			if c.v[i*c.rows+j] <= 0 {
				continue
			}
			best := arc{score: arcLeast}
			for n, r := range arcRadii {
				sum := 0.0
				for k, d := range drop[n] {
					if row := j - d; row >= 0 {
						sum += c.v[(i+k-arcHalf)*c.rows+row]
					}
				}
				if score := sum / (2*arcHalf + 1); score > best.score {
					best = arc{c.x0 + float64(i)*kneeDX, c.y0 + float64(j)*c.dy, r, score}
				}
			}
			if best.r > 0 {
				out = insertArc(out, best)
			}
		}
	}
	return out
}

// insertArc keeps the arcsKept best arcs of different places.
func insertArc(arcs []arc, a arc) []arc {
	at := len(arcs)
	for i, b := range arcs {
		if math.Abs(a.x0-b.x0) < 3*arcsApart && math.Abs(a.y0-b.y0) < arcsApart {
			if a.score <= b.score {
				return arcs
			}
			arcs = append(arcs[:i], arcs[i+1:]...)
			return insertArc(arcs, a)
		}
		if a.score > b.score {
			at = min(at, i)
		}
	}
	arcs = append(arcs[:at], append([]arc{a}, arcs[at:]...)...)
	return arcs[:min(len(arcs), arcsKept)]
}

// expectedAt is where a condyle is expected on the line y = 0, with its standard
// deviations in mm.
type expectedAt struct{ x, across, along float64 }

func expected(x float64, m *patchMark) expectedAt {
	return expectedAt{x, math.Hypot(m.cross, markAcross), math.Hypot(m.along, markAlong)}
}

func (e expectedAt) cost(a arc) float64 {
	dx, dy := (a.x0-e.x)/e.across, a.y0/e.along
	return arcPrior * (dx*dx + dy*dy)
}

// bestPair picks the two condyles' arcs that are clear, lie as far apart and as
// level as condyles do, and where they are expected.
func bestPair(lateral, medial []arc, l, m expectedAt) (a, b arc, ok bool) {
	best := math.Inf(-1)
	for _, p := range lateral {
		for _, q := range medial {
			half := (p.x0 - q.x0) / 2
			lean := math.Atan2(p.y0-q.y0, p.x0-q.x0) * 180 / math.Pi / kneeLeans
			wide := (half - condyleHalf) / condyleVary
			score := p.score + q.score - arcPrior*(lean*lean+wide*wide) - l.cost(p) - m.cost(q)
			if score > best {
				best, a, b, ok = score, p, q, true
			}
		}
	}
	return a, b, ok
}

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
	var xs, ys, ws []float64
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
		xs, ys, ws = append(xs, x), append(ys, y), append(ws, v[best])
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

// condyles sets the places where the tangent common to both condyles touches
// them, looked for around the places that the network marked. Where an outline is
// not clear there, there are none.
func (t *shaftTrace) condyles(f *Femur, full *plane, sp geom.Spacing, knee distalEnd) {
	if knee.lateral == nil {
		return
	}
	last := len(t.m.p) - 1
	distal := t.m.p[last].Sub(t.m.p[max(0, last-25)]).Unit()
	frame := newKneeFrame(knee.lateral.at, knee.medial.at, distal)
	half := knee.lateral.at.Sub(knee.medial.at).Norm() / 2
	lateral := expected(half, knee.lateral)
	medial := expected(-half, knee.medial)
	falls := frame.falls(full, sp, -kneeAcross, kneeAcross, -kneeAlong, kneeAlong, kneeDY, kneeScale)
	falls.compress()
	a, b, ok := bestPair(falls.arcs(arcNear, arcFar), falls.arcs(-arcFar, -arcNear), lateral, medial)
	if !ok {
		return
	}
	score := [2]float64{a.score, b.score}
	// Twice: the tangent's own direction is the second frame's.
	var at [2]geom.PointMM
	var sigma [2]float64
	for range 2 {
		oa, okA := frame.refine(full, sp, a)
		ob, okB := frame.refine(full, sp, b)
		if !okA || !okB {
			return
		}
		xa, ya, xb, yb := commonTangent(oa, ob)
		at, sigma = [2]geom.PointMM{frame.at(xa, ya), frame.at(xb, yb)}, [2]float64{oa.sigma, ob.sigma}
		frame = newKneeFrame(at[0], at[1], distal)
		half = at[0].Sub(at[1]).Norm() / 2
		a, b = arc{x0: half, r: clamp(-0.5/oa.c[2], 7, 60)}, arc{x0: -half, r: clamp(-0.5/ob.c[2], 7, 60)}
	}
	if frame.bordered(full, sp, at[0]) || frame.bordered(full, sp, at[1]) {
		return
	}
	for i, m := range [2]*patchMark{knee.lateral, knee.medial} {
		if m.along > markVague && score[i] >= arcAlone {
			sigma[i] = math.Hypot(sigma[i], condyleAlone)
			continue
		}
		d := m.at.Sub(at[i])
		x, y := math.Abs(d.Dot(frame.x)), math.Abs(d.Dot(frame.y))
		if x > markAside || y > markOff {
			return
		}
		sigma[i] = math.Hypot(sigma[i], math.Max(0, y-markAgree))
	}
	f.CondyleLateral, f.CondyleMedial = &Landmark{P: sp.Px(at[0]), Sigma: sigma[0]}, &Landmark{P: sp.Px(at[1]), Sigma: sigma[1]}
}
