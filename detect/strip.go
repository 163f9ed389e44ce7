package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// plane is a grey image to sample from: the film itself or a reduced copy.
// Its pixel (0, 0) has its centre at film pixel ((k−1)/2, (k−1)/2) when k film
// pixels make one of its own.
type plane struct {
	pix        []uint16
	rows, cols int
	k          float64
}

// at returns the bilinear value at film pixel (x, y), and false outside.
func (g *plane) at(x, y float64) (float64, bool) {
	if g.k != 1 {
		x = (x+0.5)/g.k - 0.5
		y = (y+0.5)/g.k - 0.5
	}
	if !(x >= 0 && y >= 0) {
		return 0, false
	}
	i, j := int(y), int(x)
	if i >= g.rows-1 || j >= g.cols-1 {
		return 0, false
	}
	fy, fx := y-float64(i), x-float64(j)
	r0 := g.pix[i*g.cols+j:]
	r1 := g.pix[(i+1)*g.cols+j:]
	a := float64(r0[0]) + fx*(float64(r0[1])-float64(r0[0]))
	b := float64(r1[0]) + fx*(float64(r1[1])-float64(r1[0]))
	return a + fy*(b-a), true
}

// addLine adds to sum the values of g at evenly spaced places from (x, y) on,
// (dx, dy) film pixels apart; NaN off the film.
func (g *plane) addLine(sum []float64, x, y, dx, dy float64) {
	const spare = 1e-6 // of a pixel, for rounding
	x, y, dx, dy = (x+0.5)/g.k-0.5, (y+0.5)/g.k-0.5, dx/g.k, dy/g.k
	n := float64(len(sum) - 1)
	within := func(a, b, most float64) bool { return min(a, b) >= spare && max(a, b) < most-spare }
	if within(x, x+n*dx, float64(g.cols-1)) && within(y, y+n*dy, float64(g.rows-1)) {
		for j := range sum {
			r, c := int(y), int(x)
			fy, fx := y-float64(r), x-float64(c)
			p := g.pix[r*g.cols+c : r*g.cols+c+g.cols+2]
			a, b := float64(p[0]), float64(p[g.cols])
			a += fx * (float64(p[1]) - a)
			b += fx * (float64(p[g.cols+1]) - b)
			sum[j] += a + fy*(b-a)
			x, y = x+dx, y+dy
		}
		return
	}
	whole := plane{g.pix, g.rows, g.cols, 1}
	for j := range sum {
		v, ok := whole.at(x, y)
		if !ok {
			v = math.NaN()
		}
		sum[j] += v
		x, y = x+dx, y+dy
	}
}

// strip is a shaft straightened along a mid-line: row k is level k, column j
// lies (j − half)·dn mm from the mid-line, counter-clockwise side first. NaN is
// off the film.
type strip struct {
	v          []float64
	rows, cols int
	half       int
	dn         float64
}

func (s *strip) row(k int) []float64 { return s.v[k*s.cols : (k+1)*s.cols] }

// straighten samples g along m to reach mm on either side every dn mm, each row
// the mean over sub places along the line spread over span mm.
func straighten(g *plane, m midline, sp geom.Spacing, reach, dn float64, sub int, span float64) *strip {
	half := int(reach / dn)
	s := &strip{rows: len(m.p), cols: 2*half + 1, half: half, dn: dn}
	s.v = make([]float64, s.rows*s.cols)
	for k := range m.p {
		row := s.row(k)
		for a := range sub {
			along := 0.0
			if sub > 1 {
				along = span * (float64(a)/float64(sub-1) - 0.5)
			}
			n := m.n[k]
			t := geom.PointMM{X: -n.Y, Y: n.X}
			p := m.p[k].Add(t.Mul(along))
			x := (p.X - float64(half)*dn*n.X) / sp.X
			y := (p.Y - float64(half)*dn*n.Y) / sp.Y
			g.addLine(row, x, y, dn*n.X/sp.X, dn*n.Y/sp.Y)
		}
		for j := range row {
			row[j] /= float64(sub)
		}
	}
	return s
}

// depthRow returns row k of s from the outside inward for one side of the bone:
// element i lies reach − i·dn mm from the mid-line. It shares no memory.
func (s *strip) depthRow(k int, clockwise bool, buf []float64) []float64 {
	row := s.row(k)
	buf = buf[:0]
	if clockwise {
		for j := s.cols - 1; j >= s.half; j-- {
			buf = append(buf, row[j])
		}
	} else {
		buf = append(buf, row[:s.half+1]...)
	}
	return buf
}
