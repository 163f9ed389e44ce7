package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// patchNetwork finds landmarks on a straightened patch of the film, rows along
// the shaft, proximal first, columns from the lateral to the medial side. Its
// output has, for each landmark, at half the patch's size the logits of where it
// lies, over all places; then for each the logit that it is there at all; then
// what more it says. training/ holds the recipe.
type patchNetwork struct {
	network
	rows, cols int
	marks      int     // landmarks
	more       int     // numbers that follow them
	mm         float64 // a pixel
	row, col   float64 // where the shaft's line passes the level that the patch is laid by
	fine       int     // places each way that a pixel is the mean of; 0: 2
	certain    float64 // mm, least standard uncertainty of a place
}

// patchBlur is the spread of a network's own target, pixels of the patch.
const patchBlur = 1.5

// patchFrame is the place of a patch on the film.
type patchFrame struct {
	origin       geom.PointMM // of row 0, column 0
	down, across geom.PointMM // of unit length
	mm           float64      // a pixel
}

func (f patchFrame) at(row, col float64) geom.PointMM {
	return f.origin.Add(f.down.Mul(row * f.mm)).Add(f.across.Mul(col * f.mm))
}

// frame lays the patch by the line through p, running distally along down, at
// the level of q, medial on the clockwise side of proximal or on the other.
func (n *patchNetwork) frame(p, down, q geom.PointMM, clockwise bool) patchFrame {
	f := patchFrame{down: down, across: geom.PointMM{X: down.Y, Y: -down.X}, mm: n.mm}
	if !clockwise {
		f.across = f.across.Mul(-1)
	}
	return n.around(p.Add(down.Mul(q.Sub(p).Dot(down))), f)
}

// around lays the patch on a place, turned as f is.
func (n *patchNetwork) around(q geom.PointMM, f patchFrame) patchFrame {
	f.mm = n.mm
	f.origin = q.Sub(f.down.Mul(n.row * n.mm)).Sub(f.across.Mul(n.col * n.mm))
	return f
}

// chord returns the line through the means of the first and of the last third
// of the levels a … b of m; false for fewer than 6 levels.
func (m midline) chord(a, b int) (p, direction geom.PointMM, ok bool) {
	a, b = max(a, 0), min(b, len(m.p)-1)
	if b-a < 5 {
		return p, direction, false
	}
	third := (b - a) / 3
	var q geom.PointMM
	for i := range third + 1 {
		p = p.Add(m.p[a+i].Mul(1 / float64(third+1)))
		q = q.Add(m.p[b-i].Mul(1 / float64(third+1)))
	}
	return p, q.Sub(p).Unit(), true
}

// sample fills the patch from g, its contrast stretched as the network wants it.
func (n *patchNetwork) sample(f patchFrame, g *plane, sp geom.Spacing) []float32 {
	places := subPixels
	if n.fine > 0 {
		places = subPlaces(n.fine)
	}
	v := make([]float64, 0, n.rows*n.cols)
	for r := range n.rows {
		for c := range n.cols {
			sum := 0.0
			for _, o := range places {
				q := f.at(float64(r)+o[0], float64(c)+o[1])
				z, _ := g.at(q.X/sp.X, q.Y/sp.Y)
				sum += z
			}
			v = append(v, sum/float64(len(places)))
		}
	}
	return stretched(v)
}

// subPixels are the places of a pixel, row and column, that it is the mean of.
var subPixels = subPlaces(2)

// subPlaces are so many of them each way.
func subPlaces(fine int) (out [][2]float64) {
	within := func(k int) float64 { return (float64(k)+0.5)/float64(fine) - 0.5 }
	for k := range fine * fine {
		out = append(out, [2]float64{within(k / fine), within(k % fine)})
	}
	return out
}

// stretched stretches the contrast of a patch: 1 % and 99 % of its values to 0 and
// 1, ends kept to -0.5 … 1.5.
func stretched(v []float64) []float32 {
	lo, hi := rankedEnds(append([]float64(nil), v...), len(v)/100)
	out := make([]float32, len(v))
	for i, z := range v {
		out[i] = float32(clamp((z-lo)/math.Max(hi-lo, 1e-6), -0.5, 1.5))
	}
	return out
}

// patchMark is a landmark as the network sees it.
type patchMark struct {
	at           geom.PointMM
	there        float64 // probability that it is on the patch
	along, cross float64 // spread along the shaft and across, mm, less that of the target
	certain      float64 // mm, least standard uncertainty
}

// find returns the network's landmarks on the patch at f, and what more it says.
func (n *patchNetwork) find(f patchFrame, g *plane, sp geom.Spacing) (marks []patchMark, more []float32, err error) {
	return n.look(f, n.sample(f, g, sp))
}

// look is find with the patch's values.
func (n *patchNetwork) look(f patchFrame, v []float32) (marks []patchMark, more []float32, err error) {
	rows, cols := n.rows/2, n.cols/2
	last := n.marks * (rows*cols + 1)
	out, err := n.run(v, n.rows, n.cols, last+n.more)
	if err != nil {
		return nil, nil, err
	}
	marks = make([]patchMark, n.marks)
	for i := range marks {
		m := &marks[i]
		m.certain = n.certain
		m.there = sigmoid(out[n.marks*rows*cols+i])
		x, y, xx, yy := moments(out[i*rows*cols:(i+1)*rows*cols], cols)
		m.at = f.at(2*y+0.5, 2*x+0.5)
		m.along = n.mm * math.Sqrt(math.Max(4*yy-patchBlur*patchBlur, 0))
		m.cross = n.mm * math.Sqrt(math.Max(4*xx-patchBlur*patchBlur, 0))
	}
	return marks, out[last:], nil
}

// moments returns the mean place and the variances of the distribution of which
// z are the logits, row by row.
func moments(z []float32, cols int) (x, y, xx, yy float64) {
	top := z[0]
	for _, v := range z {
		top = max(top, v)
	}
	var w float64
	for i, v := range z {
		if v < top-16 {
			continue
		}
		q, c, r := math.Exp(float64(v-top)), float64(i%cols), float64(i/cols)
		w += q
		x += q * c
		y += q * r
		xx += q * c * c
		yy += q * r * r
	}
	x, y = x/w, y/w
	return x, y, xx/w - x*x, yy/w - y*y
}
