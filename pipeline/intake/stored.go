package intake

import (
	"fmt"

	"shaftgauge/pipeline/intake/codec/rle"
	"shaftgauge/pipeline/intake/part10"
)

// stored finds and decodes the frames of a DICOM file.
type stored struct {
	*pixelModule
	*part10.Pixels
	syntax part10.Syntax
	limits Limits

	starts []int // of each frame, its first fragment; one more closes the last
}

// locate checks that the pixel data can hold the frames, and finds each.
func (s *stored) locate(d *part10.File) error {
	if s.Encapsulated() != (s.syntax.Codec != part10.Native) {
		return unreadable("pixel data do not fit transfer syntax %s", s.syntax.UID)
	}
	if s.Encapsulated() {
		return s.locateFragments(d.Data)
	}
	if s.subsampled() && (s.cols%2 != 0 || s.allocated != 8 || s.planar) {
		return unsupported("uncompressed YBR_FULL_422 with %d columns of %d bits", s.cols, s.allocated)
	}
	row := int64(s.cols * s.pixelBytes())
	want := int64(s.frames) * int64(s.rows) * row
	// Some writers pad. As much as a column or a row too many means wrong sizes.
	slack := max(row/int64(s.cols)*int64(min(s.rows, s.cols)), 2)
	if got := s.Native.N; got < want || got-want >= slack {
		return unreadable("pixel data of %d bytes for %d frames of %s", got, s.frames, s.pixelModule)
	}
	if s.colour() {
		// The samples as words, once more side by side where they lie by plane, and the greys.
		return s.limits.memory((4*int64(s.wordsPerPixel()) + 2) * int64(s.rows) * int64(s.cols))
	}
	return nil
}

// subsampled says that two pixels share their colour differences in native
// pixel data: Y, Y, Cb, Cr (PS3.3 C.7.6.3.1.2).
func (s *stored) subsampled() bool { return !s.Encapsulated() && s.photometric == "YBR_FULL_422" }

// wordsPerPixel is how many samples a pixel has in native pixel data.
func (s *stored) wordsPerPixel() int {
	if s.subsampled() {
		return 2
	}
	return s.samples
}

// pixelBytes is the size of a pixel in native pixel data.
func (s *stored) pixelBytes() int { return s.wordsPerPixel() * s.allocated / 8 }

// frame decodes frame i from 0.
func (s *stored) frame(i int) (Film, error) {
	var words []uint16
	var err error
	if s.Encapsulated() {
		words, err = s.compressed(i)
	} else {
		words, err = s.native(i)
	}
	if err != nil {
		return Film{}, err
	}
	return s.present(words), nil
}

// native reads the words of a frame that is not compressed.
func (s *stored) native(i int) ([]uint16, error) {
	pixels := s.rows * s.cols
	size := int64(pixels * s.pixelBytes())
	off := s.Native.Off + int64(i)*size
	words := make([]uint16, pixels*s.wordsPerPixel())
	raw := bytesOf(words)[int64(2*len(words))-size:] // 8-bit samples: the second half
	if s.allocated == 8 && s.swapped() {
		if err := s.readSwapped(raw, off); err != nil {
			return nil, err
		}
	} else if n, err := s.Source.ReadAt(raw, off); n < len(raw) {
		return nil, fmt.Errorf("pixel data end %d bytes early: %w", len(raw)-n, err)
	}
	if s.allocated == 8 {
		widen(words)
	} else if s.syntax.BigEndian {
		for k := 0; k+1 < len(raw); k += 2 {
			raw[k], raw[k+1] = raw[k+1], raw[k]
		}
	}
	if !s.colour() {
		return words, nil
	}
	if s.subsampled() {
		grey := make([]uint16, pixels)
		for k := range grey {
			grey[k] = words[k/2*4+k%2]
		}
		return grey, nil
	}
	if s.planar {
		side := make([]uint16, len(words))
		for k := range pixels {
			side[3*k], side[3*k+1], side[3*k+2] = words[k], words[pixels+k], words[2*pixels+k]
		}
		words = side
	}
	return s.grey(words, s.photometric != "RGB"), nil
}

// swapped says that 8-bit samples lie in 16-bit big-endian words (PS3.5 8.1.1).
func (s *stored) swapped() bool { return s.syntax.BigEndian && s.VR == "OW" }

// readSwapped reads bytes whose places in each 16-bit word are exchanged.
func (s *stored) readSwapped(b []byte, off int64) error {
	from := (off - s.Native.Off) &^ 1
	to := min((off-s.Native.Off+int64(len(b))+1)&^1, s.Native.N)
	all := make([]byte, to-from)
	if n, err := s.Source.ReadAt(all, s.Native.Off+from); n < len(all) {
		return fmt.Errorf("pixel data end early: %w", err)
	}
	for k := 0; k+1 < len(all); k += 2 {
		all[k], all[k+1] = all[k+1], all[k]
	}
	copy(b, all[off-s.Native.Off-from:])
	return nil
}

// compressed decodes the words of an encapsulated frame.
func (s *stored) compressed(i int) ([]uint16, error) {
	pieces := s.Fragments[s.starts[i]:s.starts[i+1]]
	var size int64
	for _, f := range pieces {
		size += f.N
	}
	pixels := int64(s.rows) * int64(s.cols)
	words := pixels * int64(s.samples)
	need := size + 2*words
	if s.colour() {
		need += 2 * pixels
	}
	if err := s.limits.memory(need); err != nil {
		return nil, err
	}
	src := make([]byte, 0, size+2) // room for the mark that package jpegls appends
	for _, f := range pieces {
		src = src[:int64(len(src))+f.N]
		if n, err := s.Source.ReadAt(src[int64(len(src))-f.N:], f.Off); int64(n) < f.N {
			return nil, fmt.Errorf("fragment at %d ends early: %w", f.Off, err)
		}
	}
	if s.syntax.Codec == part10.RLE {
		dst := make([]uint16, words)
		if err := rle.Decode(dst, src, s.samples, s.allocated/8); err != nil {
			return nil, err
		}
		if s.colour() {
			return s.grey(dst, s.photometric != "RGB"), nil
		}
		return dst, nil
	}
	return s.codestream(src)
}
