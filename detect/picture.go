package detect

import (
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"
)

// Small is an 8-bit grey copy of a film to look at, its contrast stretched
// between the 1 % and the 99 % point. Film pixel (x, y) lies at
// ((x+0.5)·Scale−0.5, (y+0.5)·Scale−0.5).
type Small struct {
	Grey       []byte
	Rows, Cols int
	Scale      float64
}

// Picture reduces a film so that its longest side has at most side pixels.
func Picture(img Image, side int) (Small, error) {
	m, err := film16(img)
	if err != nil {
		return Small{}, err
	}
	defer m.Close()
	s := Small{Scale: math.Min(1, float64(side)/float64(max(img.Rows, img.Cols)))}
	s.Rows = max(1, int(float64(img.Rows)*s.Scale))
	s.Cols = max(1, int(float64(img.Cols)*s.Scale))
	small := gocv.NewMat()
	defer small.Close()
	gocv.Resize(m, &small, image.Pt(s.Cols, s.Rows), 0, 0, gocv.InterpolationArea)
	v, err := small.DataPtrUint16()
	if err != nil {
		return Small{}, fmt.Errorf("detect: picture: %w", err)
	}
	lo, hi := ends(v)
	s.Grey = make([]byte, len(v))
	for i, p := range v {
		s.Grey[i] = byte(255 * clamp((float64(p)-lo)/(hi-lo), 0, 1))
	}
	return s, nil
}
