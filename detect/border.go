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
			if at, slope = lineThrough(x, y, w); math.IsNaN(at) {
				return l, false // no step is near the line
			}
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
