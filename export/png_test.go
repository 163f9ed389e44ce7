package export

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"math/rand/v2"
	"testing"
)

// Go's own reader of PNG gives back the pixels that were written, of parts of a
// picture too.
func TestPNGReadsBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	whole := image.NewRGBA(image.Rect(0, 0, 37, 23))
	for y := range 23 {
		for x := range 37 {
			whole.SetRGBA(x, y, color.RGBA{uint8(rng.Uint32()), uint8(x * 7), uint8(y * 11), 255})
		}
	}
	for _, r := range []image.Rectangle{whole.Rect, image.Rect(5, 3, 30, 20), image.Rect(9, 9, 10, 10)} {
		img := whole.SubImage(r).(*image.RGBA)
		var b bytes.Buffer
		if err := writePNG(&b, img); err != nil {
			t.Fatal(err)
		}
		got, err := png.Decode(&b)
		if err != nil {
			t.Fatal(err)
		}
		if got.Bounds().Size() != r.Size() {
			t.Fatalf("size %v, want %v", got.Bounds().Size(), r.Size())
		}
		for y := range r.Dy() {
			for x := range r.Dx() {
				if a, b := color.RGBAModel.Convert(got.At(x, y)), img.At(r.Min.X+x, r.Min.Y+y); a != b {
					t.Fatalf("pixel %d, %d is %v, want %v", x, y, a, b)
				}
			}
		}
	}
}
