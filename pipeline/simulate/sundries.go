package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// sundries are things of metal that lie on a film and are no implant: rings and
// frames around letters, rulers, zips, rings and buckles, leads with their
// electrodes, buttons, arrows, rows of dots. at gives a place.
func sundries(rng *rand.Rand, at func() geom.PointMM) []Metal {
	even := func(lo, hi float64) float64 { return span{lo, hi}.even(rng) }
	c, r, mean := at(), even(0.4, 1.2), even(0.15, 0.7)
	sn, cs := sincosDeg(even(0, 360))
	place := func(x, y float64) geom.PointMM { return c.Add(geom.PointMM{X: x*cs - y*sn, Y: x*sn + y*cs}) }
	var out []Metal
	line := func(x0, y0, x1, y1, r float64) {
		out = append(out, Metal{A: place(x0, y0), B: place(x1, y1), Radius: r, Mean: mean, Worn: true})
	}
	ring := func(x, y, rx, ry, r float64) {
		const n = 18
		for i := range n {
			s0, c0 := math.Sincos(2 * math.Pi * float64(i) / n)
			s1, c1 := math.Sincos(2 * math.Pi * float64(i+1) / n)
			line(x+rx*c0, y+ry*s0, x+rx*c1, y+ry*s1, r)
		}
	}
	ball := func(x, y, r float64) { line(x, y, x, y, r) }
	switch rng.IntN(8) {
	case 0: // round a letter
		d := even(6, 16)
		ring(0, 0, d, d, r)
		line(-0.3*d, -0.5*d, -0.3*d, 0.5*d, r)
		if rng.IntN(2) == 0 {
			ring(0.05*d, -0.2*d, 0.32*d, 0.28*d, r)
			line(0, 0.1*d, 0.35*d, 0.5*d, r)
		} else {
			line(-0.3*d, 0.5*d, 0.3*d, 0.5*d, r)
		}
	case 1: // a frame
		w, h := even(6, 18), even(4, 12)
		for _, k := range [4][4]float64{{-w, -h, w, -h}, {w, -h, w, h}, {w, h, -w, h}, {-w, h, -w, -h}} {
			line(k[0], k[1], k[2], k[3], r)
		}
	case 2: // a ruler
		long, tick, thin := even(80, 300), even(2, 6), even(0.2, 0.6)
		line(-long/2, 0, long/2, 0, thin)
		for i := range int(long / 10) {
			x, l := float64(i)*10-long/2, tick
			if i%5 == 0 {
				l *= 2
			}
			line(x, 0, x, l, thin)
		}
	case 3: // a zip
		for i := range 12 + rng.IntN(30) {
			x := 3.2 * float64(i)
			line(x, 0, x, 2, 0.7)
			line(x+1.6, -0.4, x+1.6, -2.4, 0.7)
		}
	case 4: // a ring, a buckle
		d := even(6, 24)
		ring(0, 0, d, d*even(0.5, 1), even(0.8, 2.6))
	case 5: // a lead and its electrode
		x, y, turn := 0.0, 0.0, even(0, 6)
		thin := even(0.3, 1)
		ball(x, y, even(2.5, 8))
		for range 8 + rng.IntN(14) {
			turn += even(-0.5, 0.5)
			s, c := math.Sincos(turn)
			line(x, y, x+12*c, y+12*s, thin)
			x, y = x+12*c, y+12*s
		}
	case 6: // buttons, dots
		d, pitch := even(0.8, 7), even(8, 30)
		for i := range 1 + rng.IntN(6) {
			ball(0, (d+pitch)*float64(i), d)
		}
	case 7: // an arrow
		l := even(8, 25)
		line(-l, 0, l, 0, r)
		line(l, 0, 0.5*l, 0.4*l, r)
		line(l, 0, 0.5*l, -0.4*l, r)
	}
	return out
}
