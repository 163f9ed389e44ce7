package detect

import (
	_ "embed"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// The networks that mark metal on a straightened patch of the film around a
// shaft. training/ holds the recipe.
var (
	//go:embed metal.onnx
	metalONNX []byte
	//go:embed metal_again.onnx
	metalAgainONNX []byte
)

// metalNets were trained on different mixtures. What a place shows is the mean of
// their probabilities: what only one takes for metal mostly is none.
var metalNets = [2]network{newNetwork("metal", metalONNX), newNetwork("second metal", metalAgainONNX)}

const (
	metalRows, metalCols = 224, 160
	metalPitch           = 0.9 // mm a pixel of the patch; a place of the output is twice that
	metalNext            = 150 // rows from a patch to the next
	metalAbove           = 110.0
	metalBelow           = 130.0 // mm beyond the ends of a trace that are looked at
	plainPlace           = 0.9   // part of no metal from which the second network cannot make it one
	surelyNone           = 9     // logit of no metal over any metal's that leaves no part of a thousandth for it
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

// metalView is what the networks see along a shaft: places of twice metalPitch,
// row by row along m.
type metalView struct {
	m          midline // every metalPitch mm
	rows, cols int
	prob       [][metalClasses]float64
	strip      *strip // of the film, two pixels a place each way
}

// viewMetal runs the networks along m.
func viewMetal(g *plane, m midline, sp geom.Spacing) (*metalView, error) {
	long := newMidline(m.p, metalPitch).extend(metalAbove, metalBelow)
	st := straighten(g, long, sp, metalCols/2*metalPitch, metalPitch, 2, metalPitch)
	v := &metalView{m: long, rows: (len(long.p) + 1) / 2, cols: metalCols / 2, strip: st}
	v.prob = make([][metalClasses]float64, v.rows*v.cols)
	seen := make([]float64, v.rows)
	from, to := st.onFilm()
	for top := from / 2 * 2; ; top += metalNext {
		last := top+metalRows >= to
		if last {
			top = max(0, to-metalRows+1) / 2 * 2
		}
		in, any := metalInput(st, top)
		if any {
			if err := v.look(in, top/2, seen); err != nil {
				return nil, err
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

// look adds what the networks see on the patch whose first row of places is top.
// The second is not asked where the first is sure of no metal: the mean would not
// reach metalProb.
func (v *metalView) look(in []float32, top int, seen []float64) error {
	const area = metalRows * metalCols / 4
	rows := min(metalRows/2, v.rows-top)
	for _, net := range metalNets {
		out, err := net.run(in, metalRows, metalCols, metalClasses*area)
		if err != nil {
			return err
		}
		plain := true
		for r := range rows {
			seen[top+r]++
			for c := range v.cols {
				plain = addSoftmax(&v.prob[(top+r)*v.cols+c], out, r*v.cols+c, area) > plainPlace && plain
			}
		}
		if plain {
			return nil
		}
	}
	return nil
}

// onFilm returns the first of the rows with anything on the film and the one after
// the last.
func (s *strip) onFilm() (from, to int) {
	known := func(k int) bool {
		return slices.ContainsFunc(s.row(k), func(v float64) bool { return !math.IsNaN(v) })
	}
	for from < s.rows && !known(from) {
		from++
	}
	for to = s.rows; to > from && !known(to-1); {
		to--
	}
	return from, to
}

// addSoftmax adds the softmax of the logits of place i, one in each plane, and
// returns the part of no metal.
func addSoftmax(p *[metalClasses]float64, out []float32, i, area int) (none float64) {
	next := out[area+i]
	for k := 2; k < metalClasses; k++ {
		next = max(next, out[k*area+i])
	}
	if out[i] > next+surelyNone {
		p[metalNone]++
		return 1
	}
	var e [metalClasses]float64
	sum := 0.0
	for k := range e {
		e[k] = math.Exp(float64(out[k*area+i] - out[i]))
		sum += e[k]
	}
	for k := range e {
		p[k] += e[k] / sum
	}
	return e[metalNone] / sum
}

// metalInput takes the patch of rows top … of a strip, its contrast stretched as
// the network wants it; false where none of it is on the film.
func metalInput(st *strip, top int) (in []float32, any bool) {
	in = make([]float32, metalRows*metalCols)
	on := make([]float64, 0, metalRows*metalCols)
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
	lo, hi := rankedEnds(on, len(on)/100)
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
