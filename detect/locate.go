package detect

import (
	_ "embed"
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"
)

// The network that marks femurs on a coarse film. training/ holds the recipe.
//
//go:embed locate.onnx
var locateONNX []byte

const (
	inputSide  = 256
	outputSide = inputSide / 2
)

// Planes of the network's output.
const (
	planeShaft = iota
	planeFemur
	planeDirX
	planeDirY
	planeClockwise
	planeFrontal
	planeMarks // landmarks from here
)

// Landmarks in the order of the network's planes.
const (
	markLesserTrochanter = iota
	markHead
	markNeck
	markGreaterTrochanter
	markCondyleLateral
	markCondyleMedial
	markKnee
	marks
)

var locateNet = newNetwork("locating", locateONNX)

// planes is the network's answer: outputSide² values a plane.
type planes [][]float32

// locate runs the network over the film as [input] lays it out.
func locate(in []float32) (planes, error) {
	const area = outputSide * outputSide
	v, err := locateNet.run(in, inputSide, inputSide, (planeMarks+marks)*area)
	if err != nil {
		return nil, err
	}
	r := make(planes, planeMarks+marks)
	for i := range r {
		r[i] = v[i*area : (i+1)*area]
	}
	return r, nil
}

// input lays the film into the square with its contrast stretched: 1 % and
// 99 % of its pixels to 0 and 1, ends kept to −0.5 … 1.5. The rest is 0.
func input(p *plane, g grid) ([]float32, error) {
	src, err := film16(Image{Pixels: p.pix, Rows: p.rows, Cols: p.cols})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(src, &small, image.Pt(g.cols, g.rows), 0, 0, gocv.InterpolationArea)
	v, err := small.DataPtrUint16()
	if err != nil {
		return nil, fmt.Errorf("detect: input: %w", err)
	}
	lo, hi := ends(v)
	square := make([]float32, inputSide*inputSide)
	for y := range g.rows {
		for x := range g.cols {
			u := (float64(v[y*g.cols+x]) - lo) / (hi - lo)
			square[(y+g.top)*inputSide+x+g.left] = float32(clamp(u, -0.5, 1.5))
		}
	}
	return square, nil
}

// ends returns the 1 % and 99 % points of v, at least a step apart.
func ends(v []uint16) (lo, hi float64) {
	count := make([]uint32, 1<<16)
	for _, x := range v {
		count[x]++
	}
	cut := uint32(len(v) / 100)
	rank := func(from, dir int) float64 {
		n := uint32(0)
		for x := from; ; x += dir {
			if n += count[x]; n > cut {
				return float64(x)
			}
		}
	}
	lo, hi = rank(0, 1), rank(1<<16-1, -1)
	return lo, math.Max(hi, lo+1)
}

func sigmoid(z float32) float64 { return 1 / (1 + math.Exp(-float64(z))) }
