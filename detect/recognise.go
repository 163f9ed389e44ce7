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
	// The film as it is; where that leaves doubt, the mean of more answers: of the second
	// network, and of both of the film turned by half a circle. Of mirrored films they
	// tell nothing more.
	out := make([]float64, recogniseSide*recogniseSide)
	for look := range 2 * len(recogniseNets) {
		at := func(i, n int) int {
			if look < len(recogniseNets) {
				return i
			}
			return n - 1 - i
		}
		for i := range area {
			for k := range inputPlanes {
				x[k*area+at(i, area)] = in[k*area+i]
			}
			x[shaft*area+at(i, area)] = float32(sigmoid(p[planeShaft][i/inputSide/2*outputSide+i%inputSide/2]))
		}
		y, err := recogniseNets[look%len(recogniseNets)].runPlanes(x, inputPlanes+3, inputSide, inputSide, len(out))
		if err != nil {
			return err
		}
		for i := range out {
			out[i] += float64(y[at(i, len(out))])
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
