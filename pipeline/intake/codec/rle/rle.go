// Package rle decodes the DICOM RLE transfer syntax.
//
// Source: DICOM PS3.5 annex G; the runs are TIFF 6.0 PackBits.
package rle

import (
	"encoding/binary"
	"fmt"
)

const headerSize = 64

// Decode writes the frame src into dst: samples values a pixel side by side,
// each of bytes (1 or 2) bytes.
//
// Errors: the header does not hold samples·bytes segments in ascending order
// within src, or a segment ends before it has filled its plane.
func Decode(dst []uint16, src []byte, samples, bytes int) error {
	if len(src) < headerSize {
		return fmt.Errorf("rle: %d bytes, header needs %d", len(src), headerSize)
	}
	segments := int(binary.LittleEndian.Uint32(src))
	if segments != samples*bytes {
		return fmt.Errorf("rle: %d segments, want %d", segments, samples*bytes)
	}
	clear(dst)
	for k := range segments {
		from := int64(binary.LittleEndian.Uint32(src[4+4*k:]))
		to := int64(len(src))
		if k+1 < segments {
			to = int64(binary.LittleEndian.Uint32(src[8+4*k:]))
		}
		if from < headerSize || from > to || to > int64(len(src)) {
			return fmt.Errorf("rle: segment %d lies at %d to %d of %d", k, from, to, len(src))
		}
		shift := uint(8 * (bytes - 1 - k%bytes)) // most significant byte first, G.2
		if err := unpack(dst, src[from:to], k/bytes, samples, shift); err != nil {
			return fmt.Errorf("rle: segment %d: %w", k, err)
		}
	}
	return nil
}

// unpack adds a plane of bytes, shifted left, to every step-th word of dst from
// at on.
func unpack(dst []uint16, src []byte, at, step int, shift uint) error {
	for at < len(dst) {
		if len(src) < 2 {
			return fmt.Errorf("ends with %d of %d pixels missing", (len(dst)-at+step-1)/step, len(dst)/step)
		}
		n := int(int8(src[0]))
		switch {
		case n >= 0: // n+1 literal bytes
			n++
			if len(src) <= n {
				return fmt.Errorf("literal run of %d cut off", n)
			}
			for _, b := range src[1 : n+1] {
				if at >= len(dst) {
					return fmt.Errorf("literal run past the last pixel")
				}
				dst[at] |= uint16(b) << shift
				at += step
			}
			src = src[n+1:]
		case n > -128: // the next byte 1-n times
			v := uint16(src[1]) << shift
			for range 1 - n {
				if at >= len(dst) {
					return fmt.Errorf("run past the last pixel")
				}
				dst[at] |= v
				at += step
			}
			src = src[2:]
		default: // no operation
			src = src[1:]
		}
	}
	return nil
}
