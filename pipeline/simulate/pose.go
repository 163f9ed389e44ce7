package simulate

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Pose places a body frame in the world. Angles in degrees.
type Pose struct {
	Side  measure.Side
	Turn  float64 // about the long axis: 0 AP, 90 medio-lateral, −90 latero-medial, all ± rotation of the leg
	Tilt  float64 // of the long axis out of the film's plane
	Slant float64 // of the long axis in the film's plane, + clockwise
	Pivot vec     // this place of the body …
	At    vec     // … lies here in the world; At[2] is its height over the detector
}

// placement is a pose ready for use: world = r·(body − pivot) + at.
type placement struct {
	r, inverse mat
	pivot, at  vec
}

func (p Pose) placement() placement {
	rad := math.Pi / 180
	mirror := 1.0
	if p.Side == measure.Right {
		mirror = -1
	}
	sf, cf := math.Sincos(p.Turn * rad)
	st, ct := math.Sincos(p.Tilt * rad)
	sp, cp := math.Sincos(p.Slant * rad)
	// The long axis first, then the tilt about X, then the slant about Z.
	x1, y1, z1 := vec{mirror * cf, mirror * sf, 0}, vec{-sf, cf, 0}, vec{0, 0, 1}
	z2 := z1.mul(ct).sub(y1.mul(st))
	y2 := z1.mul(st).add(y1.mul(ct))
	r := mat{x1.mul(cp).sub(z2.mul(sp)), x1.mul(sp).add(z2.mul(cp)), y2}
	return placement{r, r.transposed(), p.Pivot, p.At}
}

func (p *placement) world(b vec) vec { return p.r.mul(b.sub(p.pivot)).add(p.at) }
func (p *placement) body(w vec) vec  { return p.inverse.mul(w.sub(p.at)).add(p.pivot) }

// Beam is the X-ray source above the detector at Z = 0.
type Beam struct{ X, Y, SID float64 }

func (b Beam) source() vec { return vec{b.X, b.Y, b.SID} }

// project returns where the ray through w meets the detector.
func (b Beam) project(w vec) geom.PointMM {
	k := b.SID / (b.SID - w[2])
	return geom.PointMM{X: b.X + k*(w[0]-b.X), Y: b.Y + k*(w[1]-b.Y)}
}

// ray returns the ray from p on the detector to the source in the body frame,
// its direction of unit length.
func (b Beam) ray(pl *placement, p geom.PointMM) (o, d vec) {
	w := vec{p.X, p.Y, 0}
	return pl.body(w), pl.inverse.mul(b.source().sub(w).unit())
}

// grid maps pixels to places on the detector: origin + column·dx + row·dy.
type grid struct {
	rows, cols     int
	origin, dx, dy geom.PointMM
}

func (g grid) place(x, y float64) geom.PointMM {
	return g.origin.Add(g.dx.Mul(x)).Add(g.dy.Mul(y))
}

// pixel is the inverse of place.
func (g grid) pixel(p geom.PointMM) geom.PointPx {
	p = p.Sub(g.origin)
	det := g.dx.Cross(g.dy)
	return geom.PointPx{X: p.Cross(g.dy) / det, Y: g.dx.Cross(p) / det}
}

// step is the larger pixel pitch.
func (g grid) step() float64 { return math.Max(g.dx.Norm(), g.dy.Norm()) }

// Film size, pixels and orientation.
type Plate struct {
	Width, Height float64      // mm, X and Y
	Spacing       geom.Spacing // at the detector, of the stored rows and columns
	Quarters      int          // the stored image is the film turned clockwise by so many right angles
	Flip          bool         // and mirrored left to right before that
}

// grid returns the stored pixels of the plate, which is centred on the world's
// origin.
func (p Plate) grid() grid {
	right, down := geom.PointMM{X: 1}, geom.PointMM{Y: 1}
	if p.Flip {
		right.X = -1
	}
	w, h := p.Width, p.Height
	for range ((p.Quarters % 4) + 4) % 4 {
		// After a clockwise turn, what was at the left bottom is at the left top.
		right, down = down.Mul(-1), right
		w, h = h, w
	}
	s := p.Spacing
	g := grid{rows: int(h / s.Y), cols: int(w / s.X), dx: right.Mul(s.X), dy: down.Mul(s.Y)}
	g.origin = g.dx.Mul(-float64(g.cols-1) / 2).Add(g.dy.Mul(-float64(g.rows-1) / 2))
	return g
}

// coarsened is a grid of about step mm that covers g and a margin of two steps.
func (g grid) coarsened(step float64) grid {
	kx, ky := math.Max(1, step/g.dx.Norm()), math.Max(1, step/g.dy.Norm())
	c := grid{
		rows: int(float64(g.rows)/ky) + 5, cols: int(float64(g.cols)/kx) + 5,
		dx: g.dx.Mul(kx), dy: g.dy.Mul(ky)}
	c.origin = g.origin.Sub(c.dx.Mul(2)).Sub(c.dy.Mul(2))
	return c
}
