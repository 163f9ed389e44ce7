package detect

import (
	"fmt"
	"image"
	"math"
	"unsafe"

	"gocv.io/x/gocv"

	"shaftgauge/measure/geom"
)

// film16 wraps the pixels of img as a Mat without copying them. Close it.
func film16(img Image) (gocv.Mat, error) {
	if len(img.Pixels) == 0 || len(img.Pixels) != img.Rows*img.Cols {
		return gocv.Mat{}, fmt.Errorf("detect: %d pixels for %d × %d", len(img.Pixels), img.Rows, img.Cols)
	}
	b := unsafe.Slice((*byte)(unsafe.Pointer(&img.Pixels[0])), 2*len(img.Pixels))
	return gocv.NewMatFromBytes(img.Rows, img.Cols, gocv.MatTypeCV16U, b)
}

// reduce returns the mean of every k × k pixels of m as a plane in Go memory.
func reduce(m gocv.Mat, k int) (*plane, error) {
	rows, cols := m.Rows()/k, m.Cols()/k
	if rows < 2 || cols < 2 {
		return nil, fmt.Errorf("detect: %d × %d is too small to reduce by %d", m.Rows(), m.Cols(), k)
	}
	whole := m.Region(image.Rect(0, 0, cols*k, rows*k))
	defer whole.Close()
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(whole, &small, image.Pt(cols, rows), 0, 0, gocv.InterpolationArea)
	v, err := small.DataPtrUint16()
	if err != nil {
		return nil, fmt.Errorf("detect: reduce: %w", err)
	}
	return &plane{pix: append([]uint16(nil), v...), rows: rows, cols: cols, k: float64(k)}, nil
}

// grid maps the network's square input to the film: isotropic in millimetres,
// the part of the film that it looks at centred in it.
type grid struct {
	mm         float64      // a grid pixel, in working mm
	left, top  int          // of the part in the square
	rows, cols int          // that the part takes
	origin     geom.PointMM // of the part's first corner on the film
}

// newGrid fits the part of a film into a square of side pixels.
func newGrid(part frame, sp geom.Spacing, side int) grid {
	h, w := float64(part.rows)*sp.Y, float64(part.cols)*sp.X
	g := grid{mm: math.Max(h, w) / float64(side)}
	g.rows = max(1, min(side, int(math.Round(h/g.mm))))
	g.cols = max(1, min(side, int(math.Round(w/g.mm))))
	g.left, g.top = (side-g.cols)/2, (side-g.rows)/2
	g.origin = geom.PointMM{X: (float64(part.left) - 0.5) * sp.X, Y: (float64(part.top) - 0.5) * sp.Y}
	return g
}

// film returns the film place, mm, of the output plane's place (x, y): the
// planes have half the input's size.
func (g grid) film(x, y float64) geom.PointMM {
	px := 2*x + 0.5 - float64(g.left)
	py := 2*y + 0.5 - float64(g.top)
	return g.origin.Add(geom.PointMM{X: (px + 0.5) * g.mm, Y: (py + 0.5) * g.mm})
}

// plane returns the output plane's place of the film place q: film's inverse.
func (g grid) plane(q geom.PointMM) (x, y float64) {
	q = q.Sub(g.origin)
	px := q.X/g.mm - 0.5 + float64(g.left)
	py := q.Y/g.mm - 0.5 + float64(g.top)
	return (px - 0.5) / 2, (py - 0.5) / 2
}

// half is the size of a pixel of the output planes in mm.
func (g grid) half() float64 { return 2 * g.mm }
