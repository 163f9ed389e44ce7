package intake

import (
	"bytes"
	"fmt"
	"image"
	stdjpeg "image/jpeg"

	"shaftgauge/pipeline/intake/codec"
	"shaftgauge/pipeline/intake/codec/jpeg"
	"shaftgauge/pipeline/intake/codec/jpeg2000"
	"shaftgauge/pipeline/intake/codec/jpegls"
	"shaftgauge/pipeline/intake/part10"
)

// codestream decodes a JPEG or JPEG 2000 codestream, whichever src is: what the
// transfer syntax calls it is wrong often enough.
func (s *stored) codestream(src []byte) ([]uint16, error) {
	if s.syntax.Codec == part10.JPEG2000 {
		src = jpeg2000.Codestream(src)
		shape, err := jpeg2000.Inspect(src)
		if err == nil {
			err = s.fits(shape)
		}
		if err == nil {
			err = s.limits.memory(int64(len(src)) + 6*int64(shape.Words()))
		}
		if err != nil {
			return nil, err
		}
		words, err := jpeg2000.Decode(src, shape)
		if err != nil {
			return nil, err
		}
		if s.colour() {
			return s.grey(words, s.photometric == "YBR_FULL"), nil
		}
		s.clamp(words, shape.Bits)
		return words, nil
	}

	shape, process, err := jpeg.Inspect(src)
	if err != nil {
		return nil, err
	}
	if err := s.fits(shape); err != nil {
		return nil, err
	}
	var words []uint16
	switch {
	case process == jpeg.LS:
		words = make([]uint16, shape.Words())
		err = jpegls.Decode(words, src, shape)
	case process == jpeg.Lossless:
		words = make([]uint16, shape.Words())
		err = jpeg.DecodeLossless(words, src)
	case (process == jpeg.Baseline || process == jpeg.Extended) && shape.Bits == 8:
		return s.baseline(src)
	case process == jpeg.Extended && shape.Bits == 12:
		words = make([]uint16, shape.Words())
		err = jpeg.DecodeExtended(words, src)
	default:
		return nil, unsupported("JPEG process %#x with %d bits", byte(process), shape.Bits)
	}
	if err != nil {
		return nil, err
	}
	if s.colour() {
		return s.grey(words, s.photometric != "RGB"), nil
	}
	s.clamp(words, shape.Bits)
	return words, nil
}

// clamp keeps what a lossy codestream of more bits than are stored throws past
// the ends of the stored range from wrapping round when it is masked.
func (s *stored) clamp(words []uint16, bits int) {
	if !s.syntax.Lossy || bits <= s.stored || s.high != s.stored-1 {
		return
	}
	low, high := 0, 1<<s.stored-1
	if s.signed {
		low, high = -1<<(s.stored-1), 1<<(s.stored-1)-1
	}
	for i, w := range words {
		v := int(w)
		if s.signed {
			v = int(int16(w<<(16-bits))) >> (16 - bits)
		}
		words[i] = uint16(min(max(v, low), high))
	}
}

// fits checks what a codestream says of itself against the header.
func (s *stored) fits(c codec.Shape) error {
	if c.Rows != s.rows || c.Cols != s.cols || c.Samples != s.samples {
		return unreadable("codestream of %d x %d x %d samples, header says %d x %d x %d", c.Cols, c.Rows, c.Samples, s.cols, s.rows, s.samples)
	}
	if c.Bits > s.allocated || c.Bits < s.stored && s.signed {
		return unreadable("codestream of %d bits, header says %d of %d", c.Bits, s.stored, s.allocated)
	}
	return nil
}

// baseline decodes 8-bit DCT codestreams with the standard library.
func (s *stored) baseline(src []byte) ([]uint16, error) {
	img, err := stdjpeg.Decode(bytes.NewReader(src))
	if err != nil {
		return nil, err
	}
	if b := img.Bounds(); b.Dx() != s.cols || b.Dy() != s.rows {
		return nil, fmt.Errorf("picture of %d x %d, frame header said %d x %d", b.Dx(), b.Dy(), s.cols, s.rows)
	}
	if y, ok := img.(*image.YCbCr); ok && s.photometric == "RGB" {
		// Three components without a mark are what the DICOM header calls them.
		out := make([]uint16, s.rows*s.cols)
		for k := range out {
			at, c := y.YOffset(k%s.cols, k/s.cols), y.COffset(k%s.cols, k/s.cols)
			out[k] = luma(uint16(y.Y[at]), uint16(y.Cb[c]), uint16(y.Cr[c]))
		}
		return out, nil
	}
	words, _, err := greyWords(img)
	return words, err
}
