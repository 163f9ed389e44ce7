package detect

import (
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

const (
	shaftProb     = 0.5
	minShaftCells = 12  // of the output planes
	minElongation = 1.2 // length over width of a shaft on the grid
)

// candidate is one shaft as the coarse grid shows it.
type candidate struct {
	guide
	cells     []int   // of the output planes
	found     float64 // mean probability of shaft over the cells
	femur     float64 // probability that it is a femur's shaft, see recognise
	proximal  float64 // that the guide does run from proximal to distal
	clockwise float64 // that lateral or anterior lies clockwise of proximal
	frontal   float64
}

// shafts returns the shafts on the planes, the largest first.
func (p planes) shafts(g grid) []candidate {
	var out []candidate
	cut := float32(math.Log(shaftProb / (1 - shaftProb)))
	for _, cells := range components(len(p[planeShaft]), outputSide, true, func(i int) bool { return p[planeShaft][i] > cut }) {
		if len(cells) < minShaftCells {
			continue
		}
		if c, ok := p.candidate(cells, g); ok {
			out = append(out, c)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return len(out[i].cells) > len(out[j].cells) })
	return out
}

// candidate draws the mid-line through the cells of one shaft.
func (p planes) candidate(cells []int, g grid) (c candidate, ok bool) {
	c.cells = cells
	var w, mx, my, dx, dy, cw, fr float64
	weight := make([]float64, len(cells))
	for k, i := range cells {
		q := sigmoid(p[planeShaft][i])
		weight[k] = q
		w += q
		mx += q * float64(i%outputSide)
		my += q * float64(i/outputSide)
		dx += q * float64(p[planeDirX][i])
		dy += q * float64(p[planeDirY][i])
		cw += q * clamp(float64(p[planeClockwise][i]), -8, 8)
		fr += q * clamp(float64(p[planeFrontal][i]), -8, 8)
	}
	c.found = w / float64(len(cells))
	mx, my, dx, dy = mx/w, my/w, dx/w, dy/w
	c.clockwise = sigmoid(float32(cw / w))
	c.frontal = sigmoid(float32(fr / w))

	shaft := cellAxis{cells: cells, weight: weight, mx: mx, my: my}
	along, ok := shaft.point(dx, dy)
	if !ok {
		return c, false
	}
	c.proximal = 0.5 + 0.5*math.Min(1, math.Abs(along))
	line, half, ok := shaft.line()
	for _, q := range line {
		c.line = append(c.line, g.film(q[0], q[1]))
	}
	c.half = half * g.half()
	return c, ok
}

// cellAxis is the cells of a shaft, weighted by how sure they are of it, and their
// axis, all on the grid.
type cellAxis struct {
	cells  []int
	weight []float64
	mx, my float64 // their centre
	ax, ay float64 // points distally
}

// point sets the axis to the principal one, or, where the cells are too stubby for
// that, to the direction that the network saw, which (dx, dy) gives, pointing
// proximally. along is how much of that lies along the axis, and false is where
// neither tells.
func (s *cellAxis) point(dx, dy float64) (along float64, ok bool) {
	var xx, xy, yy float64
	for k, i := range s.cells {
		x, y := float64(i%outputSide)-s.mx, float64(i/outputSide)-s.my
		xx += s.weight[k] * x * x
		xy += s.weight[k] * x * y
		yy += s.weight[k] * y * y
	}
	a := 0.5 * math.Atan2(2*xy, xx-yy)
	ax, ay := math.Cos(a), math.Sin(a)
	long := xx*ax*ax + 2*xy*ax*ay + yy*ay*ay
	wide := xx + yy - long
	if long < minElongation*minElongation*wide {
		n := math.Hypot(dx, dy)
		if n < 0.3 {
			return 0, false
		}
		ax, ay = -dx/n, -dy/n
	}
	along = dx*ax + dy*ay // negative when the axis points distally
	if along > 0 {
		ax, ay = -ax, -ay
	}
	s.ax, s.ay = ax, ay
	return along, true
}

// binCells is the length along the axis, in cells, that one point of a mid-line
// stands for.
const binCells = 2.0

// line is the smoothed mid-line of the cells, point by point, and their median half
// width, in cells; false for less than two points.
func (s *cellAxis) line() (line [][2]float64, half float64, ok bool) {
	type bin struct{ w, n float64 } // weight, and that times the place across
	bins := map[int]*bin{}
	lo, hi := math.MaxInt, math.MinInt
	for k, i := range s.cells {
		x, y := float64(i%outputSide)-s.mx, float64(i/outputSide)-s.my
		b := int(math.Floor((x*s.ax + y*s.ay) / binCells))
		if bins[b] == nil {
			bins[b] = &bin{}
		}
		bins[b].w += s.weight[k]
		bins[b].n += s.weight[k] * (y*s.ax - x*s.ay)
		lo, hi = min(lo, b), max(hi, b)
	}
	var n, weight, widths []float64
	for b := lo; b <= hi; b++ {
		if q := bins[b]; q != nil {
			n = append(n, q.n/q.w)
			weight = append(weight, q.w)
			widths = append(widths, q.w/binCells)
		} else {
			n, weight = append(n, 0), append(weight, 0)
		}
	}
	if len(n) < 2 {
		return nil, 0, false
	}
	n = smooth(n, weight, 20)
	for b := range n {
		l := (float64(lo+b) + 0.5) * binCells
		line = append(line, [2]float64{s.mx + l*s.ax - n[b]*s.ay, s.my + l*s.ay + n[b]*s.ax})
	}
	return line, median(widths) / 2, true
}

// at returns the probability that plane k gives the film place q; 0 off the film.
func (p planes) at(k int, g grid, q geom.PointMM) float64 {
	x, y := g.plane(q)
	i, j := int(math.Round(y)), int(math.Round(x))
	if i < 0 || j < 0 || i >= outputSide || j >= outputSide {
		return 0
	}
	return sigmoid(p[k][i*outputSide+j])
}

// mark finds the peak of landmark k's heat nearest to a place, within reach mm,
// with its height as a probability.
func (p planes) mark(k int, near geom.PointMM, reach float64, g grid) (at geom.PointMM, prob float64) {
	heat := p[planeMarks+k]
	best := -1
	for i, z := range heat {
		if best >= 0 && z <= heat[best] {
			continue
		}
		x, y := float64(i%outputSide), float64(i/outputSide)
		if g.film(x, y).Sub(near).Norm() <= reach {
			best = i
		}
	}
	if best < 0 {
		return at, 0
	}
	// Centre of the heat around the peak.
	bx, by := best%outputSide, best/outputSide
	var w, x, y float64
	for v := max(0, by-2); v <= min(outputSide-1, by+2); v++ {
		for u := max(0, bx-2); u <= min(outputSide-1, bx+2); u++ {
			q := sigmoid(heat[v*outputSide+u])
			w += q
			x += q * float64(u)
			y += q * float64(v)
		}
	}
	return g.film(x/w, y/w), sigmoid(heat[best])
}
