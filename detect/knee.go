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

	condylesApart = 1.1 // widths of the shaft between the two, at least (1.25 on simulated bones)
)

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

// condyles sets the places where the tangent common to both condyles touches
// them, looked for around the places that the network marked. Where an outline is
// not clear there, or metal's, there are none.
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
	if at[0].Sub(at[1]).Norm() < condylesApart*t.width() {
		return
	}
	for _, q := range at {
		if t.field.cuts(q, beyondTo) || frame.bordered(full, sp, q) {
			return
		}
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
	if t.capped(full, sp, at, frame.y) {
		if f.Implant == ImplantNone {
			f.Implant = ImplantOther
		}
		return
	}
	f.CondyleLateral, f.CondyleMedial = &Landmark{P: sp.Px(at[0]), Sigma: sigma[0]}, &Landmark{P: sp.Px(at[1]), Sigma: sigma[1]}
}
