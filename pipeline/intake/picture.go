package intake

import (
	"image"
	"image/color"
	stdjpeg "image/jpeg"
	"image/png"
	"io"

	"golang.org/x/image/tiff"

	"shaftgauge/pipeline/intake/codec/jpeg"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// pictureKind recognises a picture by its first bytes; empty when it is none.
func pictureKind(head []byte) string {
	starts := func(s string) bool { return len(head) >= len(s) && string(head[:len(s)]) == s }
	switch {
	case starts("\x89PNG\r\n\x1a\n"):
		return "png"
	case starts("\xFF\xD8\xFF"):
		return "jpeg"
	case starts("II*\x00"), starts("MM\x00*"):
		return "tiff"
	}
	return ""
}

// openPicture reads the size of a PNG, JPEG or TIFF picture; every page of a
// TIFF is a frame. A picture is taken to show bone bright. What it says of its
// resolution is about printing and tells nothing.
func (f *File) openPicture(kind string, r io.ReaderAt, size int64, beside job.Beside, limits Limits) error {
	f.Header = Header{PatientID: beside.Patient, StudyDate: beside.Date}
	none := &part10.Dataset{}
	f.Header.readSide(none, beside)
	f.Header.readView(none, beside)
	f.Header.readScale(none, beside)

	pages := []io.ReaderAt{r}
	if kind == "tiff" {
		var err error
		if pages, err = tiffPages(r, size, limits.MaxFrames); err != nil {
			return err
		}
	}
	for _, p := range pages {
		if err := checkPicture(kind, p, size, limits); err != nil {
			return err
		}
	}
	f.frames = len(pages)
	f.decode = func(i int) (Film, error) { return decodePicture(kind, io.NewSectionReader(pages[i], 0, size)) }
	return nil
}

var decoders = map[string]struct {
	config func(io.Reader) (image.Config, error)
	decode func(io.Reader) (image.Image, error)
}{
	"png":  {png.DecodeConfig, png.Decode},
	"jpeg": {stdjpeg.DecodeConfig, stdjpeg.Decode},
	"tiff": {tiff.DecodeConfig, tiff.Decode},
}

// checkPicture checks size and memory of a picture before it is decoded.
func checkPicture(kind string, r io.ReaderAt, size int64, limits Limits) error {
	c, err := decoders[kind].config(io.NewSectionReader(r, 0, size))
	if err != nil {
		return err
	}
	if err := limits.size(c.Height, c.Width, 1); err != nil {
		return err
	}
	var bytes int64 // of a decoded pixel
	switch c.ColorModel {
	case color.GrayModel:
		bytes = 1
	case color.Gray16Model:
		bytes = 2
	case color.YCbCrModel:
		bytes = 3
	case color.RGBA64Model, color.NRGBA64Model:
		bytes = 8
	default:
		bytes = 4
	}
	switch kind {
	case "jpeg": // progressive: all coefficients wait in memory
		head := make([]byte, min(size, 1<<20))
		n, _ := r.ReadAt(head, 0)
		if shape, process, err := jpeg.Inspect(head[:n]); err != nil || process == jpeg.Progressive {
			bytes += 4 * int64(max(shape.Samples, 1))
		}
	default: // the decoder holds a strip, or the passes of an interlaced picture
		bytes *= 2
	}
	return limits.memory((bytes + 2) * int64(c.Width) * int64(c.Height))
}

func decodePicture(kind string, r io.Reader) (Film, error) {
	img, err := decoders[kind].decode(r)
	if err != nil {
		return Film{}, err
	}
	words, bits, err := greyWords(img)
	if err != nil {
		return Film{}, err
	}
	return Film{Pixels: words, Rows: img.Bounds().Dy(), Cols: img.Bounds().Dx(), Bits: bits}, nil
}

// greyWords returns the luminance of img, row by row, and its number of bits.
func greyWords(img image.Image) (words []uint16, bits int, err error) {
	b := img.Bounds()
	w, h := b.Dx(), b.Dy()
	words = make([]uint16, w*h)
	switch m := img.(type) {
	case *image.Gray:
		for y := range h {
			row := m.Pix[y*m.Stride:][:w]
			for x, v := range row {
				words[y*w+x] = uint16(v)
			}
		}
		return words, 8, nil
	case *image.Gray16:
		for y := range h {
			row := m.Pix[y*m.Stride:][:2*w]
			for x := range w {
				words[y*w+x] = uint16(row[2*x])<<8 | uint16(row[2*x+1])
			}
		}
		return words, 16, nil
	case *image.YCbCr:
		for y := range h {
			row := m.Y[y*m.YStride:][:w]
			for x, v := range row {
				words[y*w+x] = uint16(v)
			}
		}
		return words, 8, nil
	case *image.RGBA, *image.NRGBA, *image.Paletted, *image.CMYK:
		bits = 8
	case *image.RGBA64, *image.NRGBA64:
		bits = 16
	default:
		return nil, 0, unsupported("picture of type %T", img)
	}
	for y := range h {
		for x := range w {
			c := color.NRGBA64Model.Convert(img.At(b.Min.X+x, b.Min.Y+y)).(color.NRGBA64)
			words[y*w+x] = luma(c.R, c.G, c.B) >> (16 - bits)
		}
	}
	return words, bits, nil
}
