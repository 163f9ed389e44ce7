package detect

import (
	"errors"
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"
)

// lineBand is a cortex straightened along its outer edge at full resolution:
// column u, u·step mm along the mid-line, row d, d·step − lineOutside mm below the
// outer surface. A column's values lie together.
type lineBand struct {
	c          *course
	outer      []float64 // distance of the outer edge from the mid-line by level, mm
	step       float64   // mm
	cols, rows int
	v          []float32 // grey, without what is smooth along the cortex; NaN for unknown
	contrast   []float32 // of bone against the tissue outside, smooth along the cortex
	thick      []float64 // mm by column; NaN where the cortex is not traced
	slope      []float64 // of the outer edge, mm a mm, by column
	clear      []bool    // columns at which a line through half of the cortex could be seen, set by scan
	kernels    [len(lineWidths)][]float32
	filtered   [len(lineWidths)][]float32 // v along the cortex by each kernel, once it is asked for
}

const (
	lineStepLeast = 0.1 // mm along and across the cortex: a film's pixel, but not
	lineStepMost  = 0.2 // beyond these
	lineSmooth    = 10.0
	lineUncovered = 8 // levels on either side of a line that the network sees that no letter and no metal hides
	// bandBridge in levels is the longest stretch without an edge that a band goes
	// across.
	bandBridge = 30
)

var unknown = float32(math.NaN())

// band samples the cortex; nil where too little was traced.
func (c *course) band(g *plane, blur Blur) *lineBand {
	b := &lineBand{c: c, step: clamp(math.Min(c.sp.X, c.sp.Y), lineStepLeast, lineStepMost)}
	per := fineStep / b.step
	// A line itself can hide the inner edge: there it goes on between what is seen.
	b.outer = bridged(medians(c.outer, 3), bandBridge)
	inner := bridged(medians(c.inner, 6), bandBridge)
	deepest := 0.0
	for k := range b.outer {
		if t := b.outer[k] - inner[k]; t > deepest {
			deepest = t
		}
	}
	if deepest <= 0 {
		return nil
	}
	b.cols, b.rows = int(float64(len(c.m.p)-1)*per)+1, int((lineOutside+deepest+1)/b.step)+1
	b.thick, b.slope = make([]float64, b.cols), make([]float64, b.cols)
	b.v, b.contrast = make([]float32, b.rows*b.cols), make([]float32, b.rows*b.cols)
	line := make([]float64, b.rows)
	for u := range b.cols {
		at := float64(u) / per
		o := edgeAt(b.outer, at)
		b.thick[u] = o - edgeAt(inner, at)
		b.slope[u] = (edgeAt(b.outer, math.Min(at+2, float64(len(b.outer)-1))) - edgeAt(b.outer, math.Max(at-2, 0))) / 4 / fineStep
		k := int(math.Round(at))
		column := b.column(b.v, u)
		// A line through a thickening can pass for a letter or for metal.
		hidden := (c.letter[k] || c.hidden[k]) && !(c.strip != nil && c.strip.lineNear(k, lineUncovered))
		if math.IsNaN(o) || hidden {
			for d := range column {
				column[d] = unknown
			}
			continue
		}
		clear(line)
		x, y := c.at(at, o+lineOutside)
		x1, y1 := c.at(at, o+lineOutside-b.step)
		g.addLine(line, x, y, x1-x, y1-y)
		for d, v := range line {
			column[d] = float32(v)
		}
	}
	b.level()
	for i, w := range lineWidths {
		b.kernels[i] = lineKernel(w, b.step, blur)
	}
	return b
}

// column returns the values of v, laid out as the band, of column u.
func (b *lineBand) column(v []float32, u int) []float32 { return v[u*b.rows : (u+1)*b.rows] }

// level takes from the grey what is smooth along the cortex, and notes by how much
// that is brighter than the tissue outside.
func (b *lineBand) level() {
	reach := int(lineSmooth / 2 / b.step)
	sum, n := make([]float64, b.rows), make([]float64, b.rows)
	add := func(u int, sign float64) {
		if u < 0 || u >= b.cols {
			return
		}
		for d, x := range b.column(b.v, u) {
			if x == x {
				sum[d] += sign * float64(x)
				n[d] += sign
			}
		}
	}
	for u := range reach {
		add(u, 1)
	}
	for u := range b.cols {
		add(u+reach, 1)
		add(u-reach-1, -1)
		for d, smooth := 0, b.column(b.contrast, u); d < b.rows; d++ {
			smooth[d] = float32(sum[d] / n[d]) // NaN for none
		}
	}
	for u := range b.cols {
		v, smooth := b.column(b.v, u), b.column(b.contrast, u)
		outside := smooth[:int(lineOutside/2/b.step)+1]
		tissue := float32(0)
		for _, x := range outside {
			tissue += x / float32(len(outside))
		}
		for d, x := range smooth {
			v[d] -= x
			smooth[d] = max(x-tissue, 0)
		}
	}
}

// bridged fills the stretches of at most so many unknown values between known
// ones with straight lines, in v itself.
func bridged(v []float64, most int) []float64 {
	last := -1
	for k, x := range v {
		if math.IsNaN(x) {
			continue
		}
		if last >= 0 && k-last-1 <= most {
			for j := last + 1; j < k; j++ {
				v[j] = v[last] + float64(j-last)/float64(k-last)*(x-v[last])
			}
		}
		last = k
	}
	return v
}

// lineKernel returns the weights that give the depth of a dark line of that
// width, as the film shows it, in a profile along the cortex: least squares
// with a parabola for what is there without it. Their number is odd.
func lineKernel(width, step float64, blur Blur) []float32 {
	n := int(lineReach / step)
	shape := make([]float64, 2*n+1)
	for i := range shape {
		x := float64(i-n) * step
		v := blurredBox(x, width, blur.SigmaMM)
		if blur.Amount != 0 {
			v += blur.Amount * (v - blurredBox(x, width, math.Hypot(blur.SigmaMM, blur.RadiusMM)))
		}
		shape[i] = -v
	}
	// What is left of the shape beside a parabola, scaled to give 1 on the shape.
	var m [5]float64
	var r [3]float64
	for i, v := range shape {
		u := float64(i-n) / float64(n)
		p := 1.0
		for j := range m {
			m[j] += p
			if j < 3 {
				r[j] += p * v
			}
			p *= u
		}
	}
	// By symmetry the line's own part is nothing, and level and square remain.
	det := m[0]*m[4] - m[2]*m[2]
	a, c := (r[0]*m[4]-r[2]*m[2])/det, (m[0]*r[2]-m[2]*r[0])/det
	ss := 0.0
	for i, v := range shape {
		u := float64(i-n) / float64(n)
		shape[i] = v - a - c*u*u
		ss += shape[i] * v
	}
	k := make([]float32, len(shape))
	for i, v := range shape {
		k[i] = float32(v / ss)
	}
	return k
}

// blurredBox is a box of height 1 and the given width around 0, convolved with
// a Gaussian of sigma, at x.
func blurredBox(x, width, sigma float64) float64 {
	s := sigma * math.Sqrt2
	return (math.Erf((x+width/2)/s) - math.Erf((x-width/2)/s)) / 2
}

// seen returns the band as the kernel of a width sees it: Σ kernel·v along the
// cortex, NaN where that needs what is not known.
func (b *lineBand) seen(width int) ([]float32, error) {
	if b.filtered[width] != nil {
		return b.filtered[width], nil
	}
	k := b.kernels[width]
	f, err := newLineFilter(b.cols, b.rows, false, k)
	if err != nil {
		return nil, err
	}
	defer f.close()
	copy(f.in, b.v)
	v, err := f.apply(0)
	if err != nil {
		return nil, err
	}
	v = append([]float32(nil), v...)
	n := min(len(k)/2*b.rows, len(v)) // there the kernel reaches beyond the ends
	for i := range n {
		v[i], v[len(v)-1-i] = unknown, unknown
	}
	b.filtered[width] = v
	return v, nil
}

// lineFilter correlates a matrix with kernels, along its rows or down its columns.
// Near the ends, where a kernel reaches beyond, the outcome means nothing.
type lineFilter struct {
	in      []float32   // row by row
	mats    [3]gocv.Mat // the matrix, the outcome, and the kernel that changes nothing
	kernels []gocv.Mat
	along   bool
}

// newLineFilter makes a filter with an empty matrix. Close it.
func newLineFilter(rows, cols int, along bool, kernels ...[]float32) (f *lineFilter, err error) {
	f = &lineFilter{along: along}
	f.mats = [3]gocv.Mat{gocv.NewMatWithSize(rows, cols, gocv.MatTypeCV32F), gocv.NewMat(), gocv.NewMatWithSizeFromScalar(gocv.NewScalar(1, 0, 0, 0), 1, 1, gocv.MatTypeCV32F)}
	for _, k := range kernels {
		f.kernels = append(f.kernels, gocv.NewMatWithSize(1, len(k), gocv.MatTypeCV32F))
		v, e := f.kernels[len(f.kernels)-1].DataPtrFloat32()
		copy(v, k)
		err = errors.Join(err, e)
	}
	v, e := f.mats[0].DataPtrFloat32()
	if err = errors.Join(err, e); err != nil {
		f.close()
		return nil, fmt.Errorf("detect: line filter: %w", err)
	}
	f.in = v
	return f, nil
}

// apply returns the matrix correlated with the i-th kernel, good until the next
// call.
func (f *lineFilter) apply(i int) ([]float32, error) {
	x, y := f.kernels[i], f.mats[2]
	if !f.along {
		x, y = y, x
	}
	gocv.SepFilter2D(f.mats[0], &f.mats[1], gocv.MatTypeCV32F, x, y, image.Pt(-1, -1), 0, gocv.BorderReplicate)
	v, err := f.mats[1].DataPtrFloat32()
	if err != nil || len(v) != len(f.in) {
		return nil, fmt.Errorf("detect: line filter: %d values for %d: %w", len(v), len(f.in), err)
	}
	return v, nil
}

func (f *lineFilter) close() {
	for _, m := range append(f.mats[:], f.kernels...) {
		m.Close()
	}
}
