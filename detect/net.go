package detect

import (
	"fmt"
	"sync"

	"gocv.io/x/gocv"
)

// network is an ONNX network of one input and one output, loaded once a
// process.
type network func() (gocv.Net, error)

func newNetwork(name string, onnx []byte) network {
	return sync.OnceValues(func() (gocv.Net, error) {
		net, err := gocv.ReadNetFromONNXBytes(onnx)
		if err != nil || net.Empty() {
			return net, fmt.Errorf("detect: the %s network does not load: %w", name, err)
		}
		return net, nil
	})
}

// run feeds the rows × cols values of in, row by row, and returns a copy of the
// output, which must have want values.
func (n network) run(in []float32, rows, cols, want int) ([]float32, error) {
	return n.runPlanes(in, 1, rows, cols, want)
}

// runPlanes is run for an input of several planes of rows × cols.
func (n network) runPlanes(in []float32, planes, rows, cols, want int) ([]float32, error) {
	net, err := n()
	if err != nil {
		return nil, err
	}
	blob := gocv.NewMatWithSizes([]int{1, planes, rows, cols}, gocv.MatTypeCV32F)
	defer blob.Close()
	v, err := blob.DataPtrFloat32()
	if err != nil || len(v) != len(in) {
		return nil, fmt.Errorf("detect: network input of %d values, have %d: %w", len(v), len(in), err)
	}
	copy(v, in)
	net.SetInput(blob, "")
	out := net.Forward("")
	defer out.Close()
	v, err = out.DataPtrFloat32()
	if err != nil || len(v) != want {
		return nil, fmt.Errorf("detect: network output of %d values, want %d: %w", len(v), want, err)
	}
	return append([]float32(nil), v...), nil
}

// Load loads the networks, so that a process that cannot work says so before
// its first film.
func Load() error {
	for _, n := range []network{locateNet, recogniseNets[0], recogniseNets[1], metalNets[0], metalNets[1], cortexNet, trochanterNets[0].network, trochanterNets[1].network, hipNet.network, headNet.network, kneeNet.network} {
		if _, err := n(); err != nil {
			return err
		}
	}
	return nil
}
