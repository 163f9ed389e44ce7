package dicomfile

import (
	"bytes"
	"fmt"
	"image"
	stdjpeg "image/jpeg"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile/jpeg"
	"shaftgauge/pipeline/simulate/dicomfile/jpeg2000"
	"shaftgauge/pipeline/simulate/dicomfile/jpegls"
	"shaftgauge/pipeline/simulate/dicomfile/rle"
)

// paddingValue is the film's sample that shows darkest.
func paddingValue(f simulate.Film) uint16 {
	if f.Monochrome1 {
		return uint16(1<<f.Bits - 1)
	}
	return 0
}

// frames returns the film's frames with their padding.
func frames(f simulate.Film, o Options) [][]uint16 {
	all := append([][]uint16{f.Pixels}, o.MoreFrames...)
	if o.PaddingBorder > 0 {
		for i, p := range all {
			all[i] = padded(p, f, o.PaddingBorder)
		}
	}
	return all
}

// padded returns a copy of pix with a rim of padding; other pixels of that
// value move by one grey level.
func padded(pix []uint16, f simulate.Film, border int) []uint16 {
	pad := paddingValue(f)
	next := pad + 1
	if f.Monochrome1 {
		next = pad - 1
	}
	out := make([]uint16, len(pix))
	for y := range f.Rows {
		for x := range f.Cols {
			v := pix[y*f.Cols+x]
			switch {
			case y < border || x < border || y >= f.Rows-border || x >= f.Cols-border:
				v = pad
			case v == pad:
				v = next
			}
			out[y*f.Cols+x] = v
		}
	}
	return out
}

// stored returns the samples as the file's Bits Stored hold them: two's
// complement in the low Bits where they are signed.
func stored(pix []uint16, bits int, signed bool) []uint16 {
	if !signed {
		return pix
	}
	top := uint16(1) << (bits - 1)
	out := make([]uint16, len(pix))
	for i, v := range pix {
		out[i] = v ^ top // v − 2^(bits−1) modulo 2^bits
	}
	return out
}

// words returns stored samples as words of Bits Allocated: sign extended, then
// shifted up to the high bit.
func words(pix []uint16, bits int, o Options) []uint16 {
	shift := o.HighBit - (bits - 1)
	if !o.Signed && shift == 0 {
		return pix
	}
	out := make([]uint16, len(pix))
	for i, v := range pix {
		if o.Signed {
			v = uint16(int16(v<<(16-bits)) >> (16 - bits))
		}
		out[i] = v << shift
	}
	return out
}

// pixelData returns the Pixel Data element and, for a compressed syntax, how
// many bytes its frames take.
func pixelData(f simulate.Film, syntax Syntax, o Options) (element, int, error) {
	all := frames(f, o)
	for i, p := range all {
		all[i] = stored(p, f.Bits, o.Signed)
	}
	if syntax.Native() {
		return native(all, f.Bits, syntax, o), 0, nil
	}
	encoded := make(fragments, len(all))
	size := 0
	for i, p := range all {
		var err error
		if encoded[i], err = encodeFrame(p, f, syntax, o); err != nil {
			return element{}, 0, fmt.Errorf("dicomfile: frame %d: %w", i+1, err)
		}
		size += len(encoded[i])
	}
	return element{tag.PixelData, "OB", encoded}, size, nil
}

// native returns plain pixel data: bytes where explicit syntaxes allow them,
// else words (PS3.5 A.1, A.2, 8.1.1).
func native(all [][]uint16, bits int, syntax Syntax, o Options) element {
	if o.BitsAllocated == 16 {
		joined := words(all[0], bits, o)
		for _, p := range all[1:] {
			joined = append(joined[:len(joined):len(joined)], words(p, bits, o)...)
		}
		return element{tag.PixelData, "OW", joined}
	}
	var joined []byte
	for _, p := range all {
		for _, v := range words(p, bits, o) {
			joined = append(joined, byte(v))
		}
	}
	vr := "OB"
	if syntax == ImplicitLittleEndian {
		vr = "OW"
	}
	return element{tag.PixelData, vr, joined}
}

func encodeFrame(pix []uint16, f simulate.Film, syntax Syntax, o Options) ([]byte, error) {
	switch syntax {
	case RLELossless:
		return rle.Encode(words(pix, f.Bits, o), f.Rows, f.Cols, o.BitsAllocated/8)
	case JPEGBaseline:
		return encodeBaseline(pix, f, o.Quality)
	case JPEGExtended:
		return jpeg.EncodeExtended12(pix, f.Rows, f.Cols, o.Quality)
	case JPEGLossless:
		return jpeg.EncodeLossless(pix, f.Rows, f.Cols, f.Bits, o.Predictor)
	case JPEGLosslessSV1:
		return jpeg.EncodeLossless(pix, f.Rows, f.Cols, f.Bits, 1)
	case JPEGLSLossless:
		return jpegls.Encode(pix, f.Rows, f.Cols, f.Bits, 0)
	case JPEGLSNearLossless:
		return jpegls.Encode(pix, f.Rows, f.Cols, f.Bits, o.Near)
	case JPEG2000Lossless:
		return jpeg2000.EncodeLossless(pix, f.Rows, f.Cols, f.Bits, o.Signed)
	case JPEG2000:
		return jpeg2000.EncodeLossy(pix, f.Rows, f.Cols, f.Bits, o.StepExponent)
	}
	return nil, fmt.Errorf("no codec of %v", syntax)
}

func encodeBaseline(pix []uint16, f simulate.Film, quality int) ([]byte, error) {
	img := image.NewGray(image.Rect(0, 0, f.Cols, f.Rows))
	for i, v := range pix {
		img.Pix[i] = byte(v)
	}
	var b bytes.Buffer
	err := stdjpeg.Encode(&b, img, &stdjpeg.Options{Quality: quality})
	return b.Bytes(), err
}
