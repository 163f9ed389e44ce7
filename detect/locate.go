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
	inputSide   = 256
	inputPlanes = 2
	outputSide  = inputSide / 2
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
	v, err := locateNet.runPlanes(in, inputPlanes, inputSide, inputSide, (planeMarks+marks)*area)
	if err != nil {
		return nil, err
	}
	r := make(planes, planeMarks+marks)
	for i := range r {
		r[i] = v[i*area : (i+1)*area]
	}
	return r, nil
}

// input lays the film into the square, twice. First with its contrast stretched: 1 %
// and 99 % of its pixels to 0 and 1, ends kept to −0.5 … 1.5. Then with its contrast
// made alike everywhere, see [alike]: whatever processing and what is burnt beside the
// leg do to the first, bones look much the same on the second. The rest is 0.
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
	film := make([]float32, g.rows*g.cols)
	for i := range film {
		film[i] = float32(clamp((float64(v[i])-lo)/(hi-lo), -0.5, 1.5))
	}
	square := make([]float32, inputPlanes*inputSide*inputSide)
	for k, part := range [inputPlanes][]float32{film, alike(film, g.rows, g.cols)} {
		for y := range g.rows {
			at := (k*inputSide+y+g.top)*inputSide + g.left
			copy(square[at:at+g.cols], part[y*g.cols:])
		}
	}
	return square, nil
}

const (
	alikeReach = 12   // pixels each way over which contrast is made alike
	alikeFloor = 0.03 // of the stretched range, added to the spread so that noise is not blown up
	alikeMost  = 3.0  // of the spread
)

// alike returns a picture less its mean around every pixel, over its spread there.
func alike(v []float32, rows, cols int) []float32 {
	w := cols + 1
	sum, square := make([]float64, w*(rows+1)), make([]float64, w*(rows+1)) // of all above and to the left
	for y := range rows {
		var s, q float64
		for x := range cols {
			u := float64(v[y*cols+x])
			s, q = s+u, q+u*u
			i := (y+1)*w + x + 1
			sum[i], square[i] = sum[i-w]+s, square[i-w]+q
		}
	}
	out := make([]float32, len(v))
	for y := range rows {
		y0, y1 := max(0, y-alikeReach), min(rows, y+alikeReach+1)
		for x := range cols {
			x0, x1 := max(0, x-alikeReach), min(cols, x+alikeReach+1)
			n := float64((y1 - y0) * (x1 - x0))
			around := func(t []float64) float64 { return (t[y1*w+x1] - t[y0*w+x1] - t[y1*w+x0] + t[y0*w+x0]) / n }
			mean := around(sum)
			spread := math.Sqrt(math.Max(0, around(square)-mean*mean))
			out[y*cols+x] = float32(clamp((float64(v[y*cols+x])-mean)/(spread+alikeFloor), -alikeMost, alikeMost))
		}
	}
	return out
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
