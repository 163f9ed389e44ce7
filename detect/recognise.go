package detect

import (
	_ "embed"
	"math"
)

// The networks that tell a femur's shaft from whatever else the locating network
// takes for one: another bone, a pipe, a seam. They see the film as the locating
// network does, what that took for shaft, and the scale. They are of one shape, begun
// apart and trained beside it, on its own mistakes. training/ holds the recipe.
var (
	//go:embed recognise.onnx
	recogniseONNX []byte
	//go:embed recognise_again.onnx
	recogniseAgainONNX []byte
)

var recogniseNets = [2]network{newNetwork("recognising", recogniseONNX), newNetwork("second recognising", recogniseAgainONNX)}

const (
	recogniseSide  = inputSide / 8
	recogniseUsual = 1.4 // mm a pixel that the scale counts from

	// Logits from which further answers cannot change what is made of a candidate:
	// a network's first answer lies within 1.5 of the mean of all.
	plainFemur, plainOther = 3.5, -2.5
)

// recognise sets the probability of each candidate that it is a femur's shaft.
// in is the film as [input] lays it out.
func (p planes) recognise(found []candidate, in []float32, g grid, hasScale bool) error {
	if len(found) == 0 {
		return nil
	}
	const area = inputSide * inputSide
	const shaft, scale, known = inputPlanes, inputPlanes + 1, inputPlanes + 2 // planes after the film's own
	x := make([]float32, (inputPlanes+3)*area)
	if hasScale {
		for i := range area {
			x[scale*area+i], x[known*area+i] = float32(math.Log(g.mm/recogniseUsual)), 1
		}
	}
	// The film as it is; where that leaves doubt, the mean of more answers, with it
	// upside down and both mirrored, of one network and then of the other.
	out := make([]float64, recogniseSide*recogniseSide)
	for look := range 4 * len(recogniseNets) {
		flip := look % 4
		for i := range area {
			u, v := flipped(i%inputSide, flip&1 != 0, inputSide), flipped(i/inputSide, flip&2 != 0, inputSide)
			for k := range inputPlanes {
				x[k*area+v*inputSide+u] = in[k*area+i]
			}
			x[shaft*area+v*inputSide+u] = float32(sigmoid(p[planeShaft][i/inputSide/2*outputSide+i%inputSide/2]))
		}
		y, err := recogniseNets[look/4].runPlanes(x, inputPlanes+3, inputSide, inputSide, len(out))
		if err != nil {
			return err
		}
		for i := range out {
			u, v := flipped(i%recogniseSide, flip&1 != 0, recogniseSide), flipped(i/recogniseSide, flip&2 != 0, recogniseSide)
			out[i] += float64(y[v*recogniseSide+u])
		}
		plain := true
		for i := range found {
			const cell = outputSide / recogniseSide
			sum := 0.0
			for _, k := range found[i].cells {
				sum += out[k/outputSide/cell*recogniseSide+k%outputSide/cell]
			}
			mean := sum / float64((look+1)*len(found[i].cells))
			found[i].femur = sigmoid(float32(mean))
			plain = plain && (mean > plainFemur || mean < plainOther)
		}
		if plain {
			break
		}
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
