package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// A collimator's blade leaves a straight border across the film, and beyond it no
// picture: scattered radiation, or one grey value. What ends there was cut off and
// has no edge there. Bones' edges bend, and beside them tissue is seen.
const (
	borderMM      = 1.0  // a pixel of the copy that borders are looked for on
	borderBlur    = 1.2  // mm, Gaussian scale of its slopes
	borderTurn    = 1.0  // degree between directions tried
	borderTries   = 16   // lines looked at closely
	borderNear    = 4.0  // mm from a line that its steepest place is looked for
	borderOn      = 0.8  // mm from it that this may lie
	borderFaint   = 0.25 // of the line's median slope: less is no step
	borderOther   = 0.08 // of it that a steepest place elsewhere has which speaks against a border,
	borderLeaves  = 0.25 // as many as this for every place on it
	borderLost    = 4.0  // places without the step that one with it makes up for
	borderLeast   = 60.0 // mm of a border that must show,
	borderLong    = 120.0
	borderShare   = 0.7   // of its way across the field or borderLong
	borderPlain   = 0.2   // of the border's own slope, and of those in the field, that nine in ten places beyond have at most,
	borderCrossed = 0.3   // of the border's own nearly all of them
	borderStrip   = 14.0  // mm from it,
	borderTells   = 250.0 // mm² of places that tell
	borderSame    = 0.1   // sine of the angle between two borders that are one
	borderMark    = 2.0   // mm from a border that no landmark lies
	borderBeside  = 1.5   // mm from a border that nothing is measured
)

// border is one: a place on it and the direction out of the field, of unit length.
type border struct{ at, out geom.PointMM }

// beyond is how far q lies out of the field, mm; negative inside.
func (b border) beyond(q geom.PointMM) float64 { return q.Sub(b.at).Dot(b.out) }

// field is the exposed part of a film: what no border cuts off.
type field []border

// cuts tells whether q lies out of the field or within near mm of its border.
func (f field) cuts(q geom.PointMM, near float64) bool {
	for _, b := range f {
		if b.beyond(q) > -near {
			return true
		}
	}
	return false
}

// drop takes the landmarks that a border cuts off or touches.
func (f field) drop(sp geom.Spacing, marks ...**Landmark) {
	for _, m := range marks {
		if *m != nil && f.cuts(sp.MM((*m).P), borderMark) {
			*m = nil
		}
	}
}

// has tells whether one of the borders is b, or its other side.
func (f field) has(b border) bool {
	for _, o := range f {
		if math.Abs(o.out.Cross(b.out)) < borderSame && math.Abs(o.beyond(b.at)) < 2*borderNear {
			return true
		}
	}
	return false
}

// relief is a film's slopes on a grid of borderMM.
type relief struct {
	rows, cols int
	dx, dy     []float64
	field      field
}

func (r *relief) place(i, j int) geom.PointMM {
	return geom.PointMM{X: (float64(j) + 0.5) * borderMM, Y: (float64(i) + 0.5) * borderMM}
}

// on tells whether q lies on the film and in the field as known so far.
func (r *relief) on(q geom.PointMM) bool {
	const rim = 2 * borderMM
	return q.X > rim && q.Y > rim && q.X < float64(r.cols)*borderMM-rim && q.Y < float64(r.rows)*borderMM-rim && !r.field.cuts(q, 0)
}

// slope is the film's slope at q along n.
func (r *relief) slope(q, n geom.PointMM) float64 {
	i, j := int(q.Y/borderMM), int(q.X/borderMM)
	if i < 0 || j < 0 || i >= r.rows || j >= r.cols {
		return 0
	}
	k := i*r.cols + j
	return r.dx[k]*n.X + r.dy[k]*n.Y
}

// newRelief takes the slopes of g.
func newRelief(g *plane, sp geom.Spacing) *relief {
	r := &relief{rows: int(float64(g.rows) * g.k * sp.Y / borderMM), cols: int(float64(g.cols) * g.k * sp.X / borderMM)}
	v := make([]float64, r.rows*r.cols)
	for i := range r.rows {
		for j := range r.cols {
			sum, n := 0.0, 0.0
			for _, o := range subPixels {
				q := r.place(i, j).Add(geom.PointMM{X: o[1], Y: o[0]}.Mul(borderMM))
				if z, ok := g.at(q.X/sp.X, q.Y/sp.Y); ok {
					sum += z
					n++
				}
			}
			switch {
			case n > 0:
				v[i*r.cols+j] = sum / n
			case j > 0:
				v[i*r.cols+j] = v[i*r.cols+j-1]
			case i > 0:
				v[i*r.cols+j] = v[(i-1)*r.cols+j]
			}
		}
	}
	reach := int(math.Ceil(3 * borderBlur / borderMM))
	even, odd := make([]float64, 2*reach+1), make([]float64, 2*reach+1)
	sum, lean := 0.0, 0.0
	for d := -reach; d <= reach; d++ {
		u := float64(d) * borderMM / borderBlur
		even[d+reach] = math.Exp(-u * u / 2)
		odd[d+reach] = u * even[d+reach]
		sum += even[d+reach]
		lean += odd[d+reach] * float64(d) * borderMM
	}
	for k := range even {
		even[k], odd[k] = even[k]/sum, odd[k]/lean
	}
	r.dx = r.convolved(r.convolved(v, odd, 1), even, r.cols)
	r.dy = r.convolved(r.convolved(v, even, 1), odd, r.cols)
	return r
}

// convolved filters v along rows (step 1) or columns (step cols), its ends repeated.
func (r *relief) convolved(v, kernel []float64, step int) []float64 {
	out := make([]float64, len(v))
	half := len(kernel) / 2
	for i := range r.rows {
		for j := range r.cols {
			at, n := j, r.cols
			if step != 1 {
				at, n = i, r.rows
			}
			sum := 0.0
			for d, w := range kernel {
				sum += w * v[i*r.cols+j+(min(max(at+d-half, 0), n-1)-at)*step]
			}
			out[i*r.cols+j] = sum
		}
	}
	return out
}

// exposedField finds the borders of the field on g.
func exposedField(g *plane, sp geom.Spacing) field {
	r := newRelief(g, sp)
	if r.rows < int(borderLeast) || r.cols < int(borderLeast) {
		return nil
	}
	lines := r.straight()
	// A border across a narrow field shows only between those beside it.
	for range 2 {
		for _, l := range lines {
			if b, ok := r.border(l); ok && !r.field.has(b) {
				r.field = append(r.field, b)
			}
		}
	}
	return r.field
}

// straight returns the likeliest straight edges (R. O. Duda, P. E. Hart, Commun.
// ACM 15 (1972) 11–15; each place votes for the direction of its slope only).
func (r *relief) straight() (out []border) {
	size := make([]float64, len(r.dx))
	for k := range size {
		size[k] = math.Hypot(r.dx[k], r.dy[k])
	}
	usual := ranked(append([]float64(nil), size...), len(size)*4/5) + 1e-9
	const turns, spread = 180, 3
	far := math.Hypot(float64(r.rows), float64(r.cols)) * borderMM
	width := 2*int(far/borderMM) + 3
	votes := make([]float64, turns*width)
	for i := 1; i < r.rows-1; i++ {
		for j := 1; j < r.cols-1; j++ {
			k := i*r.cols + j
			if size[k] < usual/4 {
				continue
			}
			q := r.place(i, j)
			n := geom.PointMM{X: r.dx[k], Y: r.dy[k]}.Unit()
			a, b := q.Add(n.Mul(borderMM)), q.Sub(n.Mul(borderMM))
			if s := math.Abs(r.slope(a, n)); s > size[k] {
				continue
			}
			if s := math.Abs(r.slope(b, n)); s > size[k] {
				continue
			}
			w := size[k] / (size[k] + usual)
			turn := int(math.Round(math.Atan2(n.Y, n.X)*180/math.Pi/borderTurn)) + 2*turns
			for d := -spread; d <= spread; d++ {
				t := (turn + d) % turns
				sn, cs := math.Sincos(float64(t) * borderTurn * math.Pi / 180)
				votes[t*width+int((q.X*cs+q.Y*sn+far)/borderMM)] += w
			}
		}
	}
	for range borderTries {
		best := 0
		for k, v := range votes {
			if v > votes[best] {
				best = k
			}
		}
		t, o := best/width, best%width
		sn, cs := math.Sincos(float64(t) * borderTurn * math.Pi / 180)
		n := geom.PointMM{X: cs, Y: sn}
		out = append(out, border{n.Mul((float64(o)+0.5)*borderMM - far), n})
		for d := -4; d <= 4; d++ {
			u, flip := t+d, false
			if u < 0 {
				u, flip = u+turns, true
			} else if u >= turns {
				u, flip = u-turns, true
			}
			c := o
			if flip {
				c = width - 1 - o
			}
			for e := -5; e <= 5; e++ {
				if c+e >= 0 && c+e < width {
					votes[u*width+c+e] = 0
				}
			}
		}
	}
	return out
}

// step is the steepest place near a line, t mm along it and off mm beside it, and the
// steepest slope on it.
type step struct{ t, off, slope, here float64 }

// steps returns the steepest place within near mm of l, every mm along.
func (r *relief) steps(l border, near float64) (out []step) {
	along := geom.PointMM{X: -l.out.Y, Y: l.out.X}
	mid := geom.PointMM{X: float64(r.cols), Y: float64(r.rows)}.Mul(borderMM / 2)
	from := mid.Sub(l.at).Dot(along)
	far := math.Hypot(float64(r.rows), float64(r.cols)) * borderMM / 2
	for t := from - far; t <= from+far; t += borderMM {
		q := l.at.Add(along.Mul(t))
		if !r.on(q) {
			continue
		}
		best := step{t: t}
		for d := -near; d <= near; d += borderMM / 2 {
			s := math.Abs(r.slope(q.Add(l.out.Mul(d)), l.out))
			if s > best.slope {
				best.off, best.slope = d, s
			}
			if math.Abs(d) <= borderOn {
				best.here = math.Max(best.here, s)
			}
		}
		out = append(out, best)
	}
	return out
}

// border fits the line l to the steps along it and tells whether it is a border of
// the field, and which side is out of it.
func (r *relief) border(l border) (border, bool) {
	for _, near := range [3]float64{borderNear, borderNear / 2, borderNear / 2} {
		steps := r.steps(l, near)
		if len(steps) < int(borderLeast/borderMM/2) {
			return l, false
		}
		x, y, w := make([]float64, len(steps)), make([]float64, len(steps)), constant(len(steps), 1)
		for i, s := range steps {
			x[i], y[i], w[i] = s.t, s.off, s.slope
		}
		var slope, at float64
		for range 5 {
			slope, at = lineThrough(x, y, w)
			for i, s := range steps {
				w[i] = 0
				if q := (s.off - at - slope*s.t) / (near / 2); math.Abs(q) < 1 {
					w[i] = s.slope * (1 - q*q) * (1 - q*q)
				}
			}
		}
		along := geom.PointMM{X: -l.out.Y, Y: l.out.X}
		l = border{l.at.Add(l.out.Mul(at)), l.out.Sub(along.Mul(slope)).Unit()}
	}
	mid := geom.PointMM{X: float64(r.cols), Y: float64(r.rows)}.Mul(borderMM / 2)
	l.at = mid.Sub(l.out.Mul(l.beyond(mid)))
	steps := r.steps(l, borderNear)
	var size []float64
	for _, s := range steps {
		if math.Abs(s.off) <= borderOn {
			size = append(size, s.slope)
		}
	}
	if float64(len(size))*borderMM < borderLeast {
		return l, false
	}
	usual := median(size)
	// The stretch that the step is seen on most of, and what leaves the line.
	sum, long, on, off := 0.0, 0.0, 0.0, 0.0
	for _, s := range steps {
		switch {
		case math.Abs(s.off) <= borderOn && s.slope >= borderFaint*usual:
			sum++
			on++
		case s.here < s.slope/2 && s.slope >= borderOther*usual:
			off++
			fallthrough
		default:
			sum = math.Max(0, sum-borderLost)
		}
		long = math.Max(long, sum*borderMM)
	}
	if off > borderLeaves*on {
		return l, false
	}
	if long < borderLeast || long < math.Min(borderLong, borderShare*float64(len(steps))*borderMM) {
		return l, false
	}
	in, okIn := r.shown(l, -1, math.Inf(1), 0.9)
	out, okOut := r.shown(l, 1, math.Inf(1), 0.9)
	if out > in {
		in, out, l.out = out, in, l.out.Mul(-1)
	}
	if !okIn || !okOut || out > borderPlain*math.Min(in, usual) {
		return l, false
	}
	// What goes on across the line shows beside it.
	beside, ok := r.shown(l, 1, borderStrip, 0.99)
	return l, ok && beside <= borderCrossed*usual
}

// shown is the slope that a share of the places more than borderNear and less than far
// mm from l on one side of it do not exceed; false where too few tell.
func (r *relief) shown(l border, side, far, share float64) (float64, bool) {
	var size []float64
	for i := 0; i < r.rows; i += 2 {
		for j := 0; j < r.cols; j += 2 {
			q := r.place(i, j)
			if d := side * l.beyond(q); d > borderNear && d < far && r.on(q) && !r.field.cuts(q, borderNear) {
				k := i*r.cols + j
				size = append(size, math.Hypot(r.dx[k], r.dy[k]))
			}
		}
	}
	if 4*float64(len(size))*borderMM*borderMM < borderTells {
		return 0, false
	}
	return ranked(size, int(float64(len(size)-1)*share)), true
}

// lineThrough is the weighted least-squares line y = at + slope·x.
func lineThrough(x, y, w []float64) (slope, at float64) {
	var n, sx, sy, sxx, sxy float64
	for i := range x {
		n += w[i]
		sx += w[i] * x[i]
		sy += w[i] * y[i]
		sxx += w[i] * x[i] * x[i]
		sxy += w[i] * x[i] * y[i]
	}
	det := n*sxx - sx*sx
	if !(det > 1e-9) {
		return 0, 0
	}
	slope = (n*sxy - sx*sy) / det
	return slope, (sy - slope*sx) / n
}
