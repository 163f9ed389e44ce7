package simulate

import (
	"math"
	"strings"

	"shaftgauge/measure/geom"
)

// strokes are letters drawn as lines on a grid 4 wide and 6 high: pairs of
// digits are places, a space lifts the pen.
var strokes = map[rune]string{
	'A': "06 20 46 13 33", 'B': "06 00 30 41 42 33 03 33 44 45 36 06", 'C': "41 30 10 01 05 16 36 45",
	'D': "06 00 30 42 44 36 06", 'E': "40 00 06 46 03 33", 'F': "40 00 06 03 33", 'G': "41 30 10 01 05 16 36 45 43 23",
	'H': "00 06 40 46 03 43", 'I': "20 26", 'J': "40 45 36 16 05", 'K': "00 06 40 03 46", 'L': "00 06 46",
	'M': "06 00 23 40 46", 'N': "06 00 46 40", 'O': "10 30 41 45 36 16 05 01 10", 'P': "06 00 30 41 42 33 03",
	'Q': "10 30 41 45 36 16 05 01 10 24 46", 'R': "06 00 30 41 42 33 03 23 46", 'S': "41 30 10 01 02 13 33 44 45 36 16 05",
	'T': "00 40 20 26", 'U': "00 05 16 36 45 40", 'V': "00 26 40", 'W': "00 16 23 36 40", 'X': "00 46 40 06",
	'Y': "00 23 40 23 26", 'Z': "00 40 06 46", '0': "10 30 41 45 36 16 05 01 10", '1': "11 20 26", '2': "01 10 30 41 42 06 46",
	'3': "01 10 30 41 42 33 13 33 44 45 36 16 05", '4': "30 04 44 30 36", '5': "40 00 03 33 44 45 36 06", '6': "40 10 01 05 16 36 45 44 33 03",
	'7': "00 40 16", '8': "13 02 01 10 30 41 42 33 13 04 05 16 36 45 44 33", '9': "43 13 02 01 10 30 41 45 36 06", '-': "13 33", ':': "21 22 24 25",
	'/': "06 40", '.': "25 26",
}

type segment struct{ a, b geom.PointMM }

// outline returns the strokes of m in mm of its own frame, its height 1 = m.Height.
func (m Mark) outline() []segment {
	var out []segment
	x := 0.0
	for _, ch := range strings.ToUpper(m.Text) {
		parts := strings.Fields(strokes[ch])
		// The pen stays down between two places that are neighbours in a stroke;
		// letters whose bars are apart repeat their beginning places.
		for i := 1; i < len(parts); i++ {
			if lifted(ch, i) {
				continue
			}
			p, q := parts[i-1], parts[i]
			out = append(out, segment{
				geom.PointMM{X: x + float64(p[0]-'0')/6, Y: float64(p[1]-'0') / 6},
				geom.PointMM{X: x + float64(q[0]-'0')/6, Y: float64(q[1]-'0') / 6}})
		}
		x += 0.95
	}
	return out
}

// lifted says whether the pen is up before the i-th place of ch.
func lifted(ch rune, i int) bool {
	switch ch {
	case 'A':
		return i == 3
	case 'E':
		return i == 4
	case 'F':
		return i == 3
	case 'H':
		return i == 2 || i == 4
	case 'K':
		return i == 2
	case 'Q':
		return i == 9
	case 'T':
		return i == 2
	case 'X':
		return i == 2
	case ':':
		return i == 2
	}
	return false
}

// cover calls f with every pixel that the mark touches and how much of it.
func (m Mark) cover(g grid, f func(i int, share float32)) {
	s, c := sincosDeg(m.Angle)
	right, down := geom.PointMM{X: c, Y: s}, geom.PointMM{X: -s, Y: c}
	if m.Turned {
		right, down = g.dx.Unit(), g.dy.Unit()
	}
	w := 0.075 * m.Height
	pitch := g.step()
	for _, q := range m.outline() {
		a := m.At.Add(right.Mul(q.a.X * m.Height)).Add(down.Mul(q.a.Y * m.Height))
		b := m.At.Add(right.Mul(q.b.X * m.Height)).Add(down.Mul(q.b.Y * m.Height))
		pa, pb := g.pixel(a), g.pixel(b)
		reach := w/min(g.dx.Norm(), g.dy.Norm()) + 2
		x0, x1 := int(min(pa.X, pb.X)-reach), int(max(pa.X, pb.X)+reach)
		y0, y1 := int(min(pa.Y, pb.Y)-reach), int(max(pa.Y, pb.Y)+reach)
		d := b.Sub(a)
		l2 := d.Dot(d)
		for y := max(y0, 0); y <= min(y1, g.rows-1); y++ {
			for x := max(x0, 0); x <= min(x1, g.cols-1); x++ {
				p := g.place(float64(x), float64(y)).Sub(a)
				t := max(0, min(1, p.Dot(d)/l2))
				dist := p.Sub(d.Mul(t)).Norm()
				if share := min(1, (w-dist)/pitch+0.5); share > 0 {
					f(y*g.cols+x, float32(share))
				}
			}
		}
	}
}

// lead lays the lead letters into the beam.
func (t *stage) lead(mu *plane, g grid) {
	for _, m := range t.Marks {
		if !m.Lead {
			continue
		}
		covered := make(map[int]float32)
		m.cover(g, func(i int, share float32) { covered[i] = max(covered[i], share) })
		for i, s := range covered {
			mu.v[i] += 3 * s
		}
	}
}

// stamp draws the letters that the processing adds.
func (t *stage) stamp(x *plane, g grid) {
	for _, m := range t.Marks {
		if m.Lead {
			continue
		}
		var v float32
		if m.White {
			v = 1
		}
		m.cover(g, func(i int, share float32) { x.v[i] += share * (v - x.v[i]) })
	}
}

// width returns the length of the mark in mm.
func (m Mark) width() float64 { return math.Max(1, float64(len(m.Text))) * 0.95 * m.Height }
