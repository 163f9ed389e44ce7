package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// chord is the length in mm of the way through a circle of radius r at x from
// its centre.
func chord(r, x float64) float64 {
	if math.Abs(x) >= r {
		return 0
	}
	return 2 * math.Sqrt(r*r-x*x)
}

// The steepest slopes of a blurred tube, found by brute force: the chords of two
// circles, summed with a Gaussian in steps of 0.01 mm, differences of that.
func TestTubeSlopes(t *testing.T) {
	for _, c := range []struct{ r, wall, blur float64 }{{14, 6, 1}, {14, 2.5, 1}, {11, 4, 0.9}, {16, 8, 1.2}} {
		const h = 0.01
		value := func(depth float64) float64 {
			sum, norm := 0.0, 0.0
			for u := -5 * c.blur; u <= 5*c.blur; u += h {
				w := math.Exp(-u * u / (2 * c.blur * c.blur))
				x := c.r - depth - u
				sum += w * (chord(c.r, x) - chord(c.r-c.wall, x))
				norm += w
			}
			return sum / norm
		}
		var rise, fall, up, down float64
		before := value(-1)
		for d := -1 + 0.02; d < c.wall+3; d += 0.02 {
			v := value(d)
			if g := v - before; g > up {
				up, rise = g, d-0.01
			} else if g < down {
				down, fall = g, d-0.01
			}
			before = v
		}
		gotRise, gotFall := tubeSlopes(c.r, c.wall, c.blur, c.blur)
		if math.Abs(gotRise-rise) > 0.04 || math.Abs(gotFall-fall) > 0.06 {
			t.Errorf("%+v: steepest at %.3f and %.3f mm, want %.3f and %.3f", c, gotRise, gotFall, rise, fall)
		}
	}
}

// tubeOnFilm is a straight tube from above the film's top to below its bottom,
// tilted, on a sloping background, every half millimetre, and its guide.
func tubeOnFilm(radius, wall, blur, noise float64, over func(across, along float64) float64) (*plane, geom.Spacing, guide) {
	const rows, cols, mm, tilt = 500, 240, 0.5, 0.07
	axis := geom.PointMM{X: math.Sin(tilt), Y: math.Cos(tilt)}
	rng := rand.New(rand.NewPCG(3, 4))
	p := &plane{pix: make([]uint16, rows*cols), rows: rows, cols: cols, k: 1}
	centre := geom.PointMM{X: cols * mm / 2, Y: rows * mm / 2}
	for i := range p.pix {
		q := geom.PointMM{X: float64(i%cols) * mm, Y: float64(i/cols) * mm}.Sub(centre)
		across, along := q.X*axis.Y-q.Y*axis.X, q.Dot(axis)
		v, norm := 0.0, 0.0
		for u := -3.0; u <= 3; u += 0.25 {
			w := math.Exp(-u * u / 2)
			x := across + u*blur
			v += w * (chord(radius, x) - chord(radius-wall, x))
			norm += w
		}
		v = v/norm*1500 + 12000 + 40*across + over(across, along) + noise*rng.NormFloat64()
		p.pix[i] = uint16(v)
	}
	var g guide
	g.half = radius + 1.5
	for along := -80.0; along <= 80; along += 4 {
		// As a coarse mask would: a millimetre beside the bone.
		g.line = append(g.line, centre.Add(axis.Mul(along)).Add(geom.PointMM{X: 1}))
	}
	return p, geom.Spacing{Y: mm, X: mm}, g
}

// A straight tube of known radii. Another bone edge beside it, and a bright spot
// as of metal across the cortex, must not draw the edges away.
func TestSecondEdges(t *testing.T) {
	const radius, wall, mm, tilt = 14.0, 5.0, 0.5, 0.07
	for name, c := range map[string]struct {
		noise float64
		over  func(across, along float64) float64
	}{
		"plain": {0, func(_, _ float64) float64 { return 0 }},
		"noise": {400, func(_, _ float64) float64 { return 0 }},
		"fold":  {100, func(across, _ float64) float64 { return 5000 / (1 + math.Exp((across-radius-5)/0.5)) }},
		"metal": {100, func(across, along float64) float64 {
			if math.Abs(across-radius) < 2 && math.Abs(along) < 4 {
				return 25000
			}
			return 0
		}},
	} {
		p, sp, g := tubeOnFilm(radius, wall, 0.3, c.noise, c.over)
		e := secondEdges(p, sp, g)
		centre := geom.PointMM{X: 240 * mm / 2, Y: 500 * mm / 2}
		axis := geom.PointMM{X: math.Sin(tilt), Y: math.Cos(tilt)}
		for edge, want := range map[*Edge]float64{&e.OuterClockwise: radius, &e.OuterCounter: radius, &e.InnerClockwise: radius - wall, &e.InnerCounter: radius - wall} {
			met, bad := 0, 0
			for _, q := range edge.P {
				d := sp.MM(q).Sub(centre)
				if math.Abs(d.Dot(axis)) > 80 {
					continue
				}
				met++
				off := math.Abs(math.Abs(d.X*axis.Y-d.Y*axis.X) - want)
				if off > 0.35 {
					bad++
				}
			}
			if met < 60 || bad > met/8 {
				t.Errorf("%s: edge at %g mm met at %d levels, off at %d", name, want, met, bad)
			}
		}
	}
}

// Nothing to follow: no edges, and no panic.
func TestSecondEdgesOfNothing(t *testing.T) {
	p := &plane{pix: make([]uint16, 100*100), rows: 100, cols: 100, k: 1}
	g := guide{line: []geom.PointMM{{X: 25, Y: 2}, {X: 25, Y: 48}}, half: 12}
	e := secondEdges(p, geom.Spacing{Y: 0.5, X: 0.5}, g)
	if n := len(e.OuterClockwise.P) + len(e.OuterCounter.P); n > 0 {
		t.Errorf("%d points on a blank film", n)
	}
	secondEdges(p, geom.Spacing{Y: 0.5, X: 0.5}, guide{})
}
