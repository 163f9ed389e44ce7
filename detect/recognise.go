package detect

import (
	_ "embed"
	"math"
)

// The network that tells a femur's shaft from whatever else the locating network
// takes for one: another bone, a pipe, a seam. It sees the film as the locating
// network does, what that took for shaft, and the scale. training/ holds the
// recipe.
//
//go:embed recognise.onnx
var recogniseONNX []byte

var recogniseNet = newNetwork("recognising", recogniseONNX)

const (
	recogniseSide  = inputSide / 8
	recogniseUsual = 1.4 // mm a pixel that the scale counts from
)

// recognise sets the probability of each candidate that it is a femur's shaft.
// in is the film as [input] lays it out.
func (p planes) recognise(found []candidate, in []float32, g grid, hasScale bool) error {
	if len(found) == 0 {
		return nil
	}
	const area = inputSide * inputSide
	x := make([]float32, 4*area)
	var pitch, known float32
	if hasScale {
		pitch, known = float32(math.Log(g.mm/recogniseUsual)), 1
	}
	for i := range area {
		x[2*area+i], x[3*area+i] = pitch, known
	}
	// The film upright, upside down and both mirrored: the mean of four answers.
	out := make([]float64, recogniseSide*recogniseSide)
	for flip := range 4 {
		for i := range area {
			u, v := flipped(i%inputSide, flip&1 != 0, inputSide), flipped(i/inputSide, flip&2 != 0, inputSide)
			x[v*inputSide+u] = in[i]
			x[area+v*inputSide+u] = float32(sigmoid(p[planeShaft][i/inputSide/2*outputSide+i%inputSide/2]))
		}
		y, err := recogniseNet.runPlanes(x, 4, inputSide, inputSide, len(out))
		if err != nil {
			return err
		}
		for i := range out {
			u, v := flipped(i%recogniseSide, flip&1 != 0, recogniseSide), flipped(i/recogniseSide, flip&2 != 0, recogniseSide)
			out[i] += float64(y[v*recogniseSide+u]) / 4
		}
	}
	const cell = outputSide / recogniseSide
	for i := range found {
		sum := 0.0
		for _, k := range found[i].cells {
			sum += out[k/outputSide/cell*recogniseSide+k%outputSide/cell]
		}
		found[i].femur = sigmoid(float32(sum / float64(len(found[i].cells))))
	}
	return nil
}

// flipped is place i of n counted from the other end, if it is to be turned.
func flipped(i int, turn bool, n int) int {
	if turn {
		return n - 1 - i
	}
	return i
}
