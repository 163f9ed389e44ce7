package detect

import (
	_ "embed"
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

// The network that places the tip of the lesser trochanter on a straightened
// patch of the hip. training/ holds the recipe.
//
//go:embed trochanter.onnx
var trochanterONNX []byte

var trochanterNet = newNetwork("trochanter", trochanterONNX)

// The patch: rows along the shaft, proximal first, a millimetre a pixel;
// columns from 10 mm beyond the mid-line to 53 mm on the side of the trochanter.
const (
	patchRows = 96
	patchCols = 64
	patchMid  = 10

	tipProb   = 0.8  // that the tip is on the patch
	tipBlur   = 1.5  // mm, spread of the network's own target
	tipSigma  = 1.0  // mm, least standard uncertainty of a tip's level: it is blunt
	tipUnsure = 4.0  // mm; a level less certain than this is not known
	axisFrom  = 15.0 // mm below the coarse level, from where
	axisTo    = 75.0 // to where the shaft's line is carried up through the patch
)

// patchFrame is the place of a patch on the film.
type patchFrame struct {
	origin       geom.PointMM // of row 0, column 0
	down, across geom.PointMM
}

func (f patchFrame) at(row, col float64) geom.PointMM {
	return f.origin.Add(f.down.Mul(row)).Add(f.across.Mul(col))
}

// newPatchFrame lays a patch around level k of the mid-line, the trochanter on
// the clockwise side or on the other.
func newPatchFrame(m midline, k int, clockwise bool) (patchFrame, bool) {
	a, b := k+int(axisFrom/m.step), min(k+int(axisTo/m.step), len(m.p)-1)
	if b-a < 5 {
		return patchFrame{}, false
	}
	// Chord from the mean of the first to the mean of the last third.
	third := (b - a) / 3
	var p, q geom.PointMM
	for i := range third + 1 {
		p = p.Add(m.p[a+i].Mul(1 / float64(third+1)))
		q = q.Add(m.p[b-i].Mul(1 / float64(third+1)))
	}
	f := patchFrame{down: q.Sub(p).Unit()}
	f.across = geom.PointMM{X: f.down.Y, Y: -f.down.X}
	if !clockwise {
		f.across = f.across.Mul(-1)
	}
	centre := p.Add(f.down.Mul(m.p[k].Sub(p).Dot(f.down)))
	f.origin = centre.Sub(f.down.Mul(patchRows / 2)).Sub(f.across.Mul(patchMid))
	return f, true
}

// sample fills the patch from g, its contrast stretched as the network wants it.
func (f patchFrame) sample(g *plane, sp geom.Spacing) []float32 {
	v := make([]float64, 0, patchRows*patchCols)
	for r := range patchRows {
		for c := range patchCols {
			sum := 0.0
			for _, o := range [4][2]float64{{-0.25, -0.25}, {-0.25, 0.25}, {0.25, -0.25}, {0.25, 0.25}} {
				q := f.at(float64(r)+o[0], float64(c)+o[1])
				z, _ := g.at(q.X/sp.X, q.Y/sp.Y)
				sum += z
			}
			v = append(v, sum/4)
		}
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	lo, hi := s[len(s)/100], s[len(s)-1-len(s)/100]
	out := make([]float32, len(v))
	for i, z := range v {
		out[i] = float32(clamp((z-lo)/math.Max(hi-lo, 1e-6), -0.5, 1.5))
	}
	return out
}

// trochanterTip returns the tip of the lesser trochanter around level k of the
// mid-line, with the standard uncertainty of its level; nil where it is not on
// the film or its level would be a guess.
func trochanterTip(g *plane, m midline, sp geom.Spacing, k int, clockwise bool) (*Landmark, error) {
	f, ok := newPatchFrame(m, k, clockwise)
	if !ok {
		return nil, nil
	}
	const rows, cols = patchRows / 2, patchCols / 2
	out, err := trochanterNet.run(f.sample(g, sp), patchRows, patchCols, rows*cols+1)
	if err != nil {
		return nil, err
	}
	if sigmoid(out[rows*cols]) < tipProb {
		return nil, nil
	}
	top := out[0]
	for _, z := range out[:rows*cols] {
		top = max(top, z)
	}
	var w, x, y, yy float64
	for i, z := range out[:rows*cols] {
		q := math.Exp(float64(z - top))
		r := float64(i / cols)
		w += q
		x += q * float64(i%cols)
		y += q * r
		yy += q * r * r
	}
	x, y, yy = x/w, y/w, yy/w
	spread := 4*(yy-y*y) - tipBlur*tipBlur // mm²: a place of the output is 2 mm
	sigma := math.Sqrt(math.Max(spread, 0) + tipSigma*tipSigma)
	if sigma > tipUnsure {
		return nil, nil
	}
	return &Landmark{P: sp.Px(f.at(2*y+0.5, 2*x+0.5)), Sigma: sigma}, nil
}
