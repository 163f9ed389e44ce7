package detect

import (
	_ "embed"
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

// The network that marks metal on a straightened patch of the film around a
// shaft. training/ holds the recipe.
//
//go:embed metal.onnx
var metalONNX []byte

var metalNet = newNetwork("metal", metalONNX)

const (
	metalRows, metalCols = 224, 160
	metalPitch           = 0.9 // mm a pixel of the patch; a place of the output is twice that
	metalNext            = 150 // rows from a patch to the next
	metalAbove           = 110.0
	metalBelow           = 130.0 // mm beyond the ends of a trace that are looked at
)

// Classes of the network's output: what a place shows.
const (
	metalNone = iota
	metalIntramedullary
	metalPlate
	metalStem
	metalOther
	metalMark // a letter or a scale ball
	metalClasses
)

// metalView is what the network sees along a shaft: places of twice metalPitch,
// row by row along m.
type metalView struct {
	m          midline // every metalPitch mm
	rows, cols int
	prob       [][metalClasses]float64
}

// viewMetal runs the network along m.
func viewMetal(g *plane, m midline, sp geom.Spacing) (*metalView, error) {
	long := newMidline(m.p, metalPitch).extend(metalAbove, metalBelow)
	st := straighten(g, long, sp, metalCols/2*metalPitch, metalPitch, 2, metalPitch)
	v := &metalView{m: long, rows: (len(long.p) + 1) / 2, cols: metalCols / 2}
	v.prob = make([][metalClasses]float64, v.rows*v.cols)
	seen := make([]float64, v.rows)
	for top := 0; ; top += metalNext {
		last := top+metalRows >= st.rows
		if last {
			top = max(0, st.rows-metalRows) / 2 * 2
		}
		in, any := metalInput(st, top)
		if any {
			const area = metalRows * metalCols / 4
			out, err := metalNet.run(in, metalRows, metalCols, metalClasses*area)
			if err != nil {
				return nil, err
			}
			for r := range metalRows / 2 {
				k := top/2 + r
				if k >= v.rows {
					break
				}
				seen[k]++
				for c := range v.cols {
					addSoftmax(&v.prob[k*v.cols+c], out, r*v.cols+c, area)
				}
			}
		}
		if last {
			break
		}
	}
	for k, n := range seen {
		for c := range v.cols {
			for i := range metalClasses {
				v.prob[k*v.cols+c][i] /= math.Max(n, 1)
			}
		}
	}
	return v, nil
}

// addSoftmax adds the softmax of the logits of place i, one in each plane.
func addSoftmax(p *[metalClasses]float64, out []float32, i, area int) {
	var e [metalClasses]float64
	sum := 0.0
	for k := range e {
		e[k] = math.Exp(float64(out[k*area+i] - out[i]))
		sum += e[k]
	}
	for k := range e {
		p[k] += e[k] / sum
	}
}

// metalInput takes the patch of rows top … of a strip, its contrast stretched as
// the network wants it; false where none of it is on the film.
func metalInput(st *strip, top int) (in []float32, any bool) {
	in = make([]float32, metalRows*metalCols)
	var on []float64
	for r := range metalRows {
		if top+r >= st.rows {
			break
		}
		for _, z := range st.row(top + r)[:metalCols] {
			if !math.IsNaN(z) {
				on = append(on, z)
			}
		}
	}
	if len(on) == 0 {
		return in, false
	}
	sort.Float64s(on)
	lo, hi := on[len(on)/100], on[len(on)-1-len(on)/100]
	for r := range metalRows {
		if top+r >= st.rows {
			break
		}
		for c, z := range st.row(top + r)[:metalCols] {
			if !math.IsNaN(z) {
				in[r*metalCols+c] = float32(clamp((z-lo)/math.Max(hi-lo, 1e-6), -0.5, 1.5))
			}
		}
	}
	return in, true
}

// at returns the place of the film, mm, and the distance from the mid-line of a
// place of the output.
func (v *metalView) at(r, c int) (p geom.PointMM, across float64) {
	k := min(2*r, len(v.m.p)-1)
	across = (2*float64(c) + 0.5 - metalCols/2) * metalPitch
	return v.m.p[k].Add(v.m.n[k].Mul(across)), across
}
