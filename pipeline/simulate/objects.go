package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// box is a rectangle on the film, turned.
type box struct {
	at     geom.PointMM // its middle
	w, h   float64
	sn, cs float64
}

// covers returns the places of a box that p has in it, −½ … ½ each way.
func (b box) covers(p geom.PointMM) (u, v float64, in bool) {
	p = p.Sub(b.at)
	u, v = (p.X*b.cs+p.Y*b.sn)/b.w, (p.Y*b.cs-p.X*b.sn)/b.h
	return u, v, math.Abs(u) < 0.5 && math.Abs(v) < 0.5
}

// each calls f with the place of every pixel.
func (x *plane) each(g grid, f func(i int, p geom.PointMM)) {
	for r := range g.rows {
		for c := range g.cols {
			f(r*g.cols+c, g.place(float64(c), float64(r)))
		}
	}
}

func clamped(v float64) float32 { return float32(max(0, min(1, v))) }

// randomBox is a box of that size somewhere in the middle of the film.
func (t *stage) randomBox(rng *rand.Rand, w, h float64) box {
	sn, cs := math.Sincos(span{-0.4, 0.4}.even(rng) + math.Pi/2*float64(rng.IntN(2)))
	return box{geom.PointMM{X: span{-0.2, 0.2}.even(rng) * t.Plate.Width, Y: span{-0.2, 0.2}.even(rng) * t.Plate.Height}, w, h, sn, cs}
}

// wedge lays a step wedge of metal on the bare film.
func (t *stage) wedge(x *plane, g grid, rng *rand.Rand) {
	b := t.randomBox(rng, span{18, 45}.even(rng), span{80, 240}.even(rng))
	steps, dark, noise := float64(5+rng.IntN(12)), span{0, 0.25}.even(rng), 0.02*rng.Float64()
	power := span{0.5, 1.6}.even(rng)
	x.each(g, func(i int, p geom.PointMM) {
		v := dark
		if _, along, in := b.covers(p); in {
			v += (1 - dark) * math.Pow(math.Floor((along+0.5)*steps+1)/steps, power)
		}
		x.v[i] = clamped(v + noise*float64(gauss(t.Seed+uint64(i))))
	})
}

// ruler lays a ruler with its marks on the bare film.
func (t *stage) ruler(x *plane, g grid, rng *rand.Rand) {
	b := t.randomBox(rng, span{15, 40}.even(rng), span{150, 400}.even(rng))
	dark, body, noise := span{0, 0.4}.even(rng), span{0, 0.3}.even(rng), 0.02*rng.Float64()
	both := rng.IntN(2) == 0
	x.each(g, func(i int, p geom.PointMM) {
		v := dark
		if u, along, in := b.covers(p); in {
			v += body
			mm := (along + 0.5) * b.h
			long := 0.18
			switch n := int(mm + 0.5); {
			case n%10 == 0:
				long = 0.45
			case n%5 == 0:
				long = 0.3
			}
			if math.Abs(mm-math.Round(mm)) < 0.22 && (u+0.5 < long || both && 0.5-u < long) {
				v = 0.95
			}
		}
		x.v[i] = clamped(v + noise*float64(gauss(t.Seed+uint64(i))))
	})
}

// photograph paints what a camera sees: ground and sky, things with shaded round
// sides (trunks, bottles, pens, rails), boxes, and grain.
func (t *stage) photograph(x *plane, g grid, rng *rand.Rand) {
	w, h := t.Plate.Width, t.Plate.Height
	sky, ground, horizon := rng.Float64(), rng.Float64(), span{-0.4, 0.6}.even(rng)*h
	fade, noise := span{-0.4, 0.4}.even(rng), 0.06*rng.Float64()
	tex := texture(t.Seed)
	rough, scale := 0.25*rng.Float64(), span{0.2, 4}.wide(rng)
	type thing struct {
		box
		tone, shade, light, bend float64
		square                   bool
	}
	var things []thing
	for range 1 + rng.IntN(9) {
		b := t.randomBox(rng, span{5, 60}.wide(rng), span{0.2, 1.5}.even(rng)*h)
		b.at.X *= 2
		things = append(things, thing{b, rng.Float64(), span{-0.6, 0.9}.even(rng), span{-0.4, 0.4}.even(rng), 0.15 * rng.NormFloat64(), rng.IntN(3) == 0})
	}
	x.each(g, func(i int, p geom.PointMM) {
		v := sky
		if p.Y > horizon {
			v = ground
		}
		v += fade * (p.Y/h + 0.5*p.X/w)
		for _, o := range things {
			q := p
			if o.bend != 0 { // a bent axis
				s := (p.Sub(o.at).Y) / o.h
				q.X -= o.bend * o.w * 4 * s * s
			}
			u, _, in := o.covers(q)
			if !in {
				continue
			}
			v = o.tone
			if !o.square {
				v += o.shade * (math.Sqrt(max(0, 1-4*u*u)) - 0.5)
			}
			v += o.light * u
		}
		v += rough * tex.at(p.X/scale+3, p.Y/scale)
		x.v[i] = clamped(v + noise*float64(gauss(t.Seed+uint64(i))))
	})
}
