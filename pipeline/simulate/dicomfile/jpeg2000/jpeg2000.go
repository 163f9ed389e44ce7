// Package jpeg2000 encodes one-component frames as JPEG 2000 codestreams: one
// tile, one quality layer, one precinct a resolution, code-blocks of 64 × 64,
// every coding pass kept.
//
// EncodeLossless uses the reversible 5/3 wavelet. EncodeLossy uses the
// irreversible 9/7 wavelet; its loss comes from quantisation alone, there is no
// rate control.
//
// Source: ITU-T T.800 (ISO/IEC 15444-1). "A.n", "B.n" … in a comment is its
// clause.
package jpeg2000

import (
	"encoding/binary"
	"fmt"
	"math/bits"
)

// Markers (Table A.2).
const (
	markerSOC = 0xFF4F
	markerSIZ = 0xFF51
	markerCOD = 0xFF52
	markerQCD = 0xFF5C
	markerSOT = 0xFF90
	markerSOD = 0xFF93
	markerEOC = 0xFFD9
)

const (
	mostLevels = 5
	guardBits  = 2
)

// EncodeLossless returns the codestream of pix, rows × cols samples of precision
// bits (2 to 16), row by row. Signed samples are two's complement in the low
// bits.
func EncodeLossless(pix []uint16, rows, cols, precision int, signed bool) ([]byte, error) {
	if err := check(pix, rows, cols, precision); err != nil {
		return nil, err
	}
	return encodeReversible(pix, rows, cols, precision, signed, levelsOf(rows, cols))
}

// EncodeLossy is EncodeLossless with loss, for unsigned samples: wavelet
// coefficients are quantised in steps that amount to 2^stepExponent grey levels
// in the picture (0 to precision − 2).
func EncodeLossy(pix []uint16, rows, cols, precision, stepExponent int) ([]byte, error) {
	if err := check(pix, rows, cols, precision); err != nil {
		return nil, err
	}
	if stepExponent < 0 || stepExponent > precision-2 {
		return nil, fmt.Errorf("jpeg2000: step exponent %d, want 0 to %d", stepExponent, precision-2)
	}
	plane := make([]float32, len(pix))
	half := float32(int(1) << (precision - 1))
	for i, v := range pix {
		plane[i] = float32(v) - half // G.1
	}
	levels := levelsOf(rows, cols)
	decompose(plane, rows, cols, levels, irreversible97)
	resolutions := subbands(rows, cols, levels)
	quantised := make([]int32, len(pix))
	for _, r := range resolutions {
		for b := range r {
			band := &r[b]
			// The basis vectors of level l have an L2 norm near 2^l (LL),
			// 2^(l−1) (HL, LH) and 2^(l−2) (HH) where the gain is that of
			// Table E.1, so a step of 2^stepExponent over that norm weighs
			// alike in the picture. With R = precision + gain (E-4) the
			// exponent is the same for all bands of a level.
			band.exponent = precision - stepExponent + band.level
			perStep := float32(1) / stepSize(precision+band.gain(), band.exponent)
			for y := range band.h {
				at := (band.y+y)*cols + band.x
				for i := at; i < at+band.w; i++ {
					quantised[i] = int32(plane[i] * perStep) // E-6: towards zero
				}
			}
		}
	}
	quantisation := []byte{guardBits<<5 | 2} // scalar, every step stated
	for _, r := range resolutions {
		for b := range r {
			quantisation = binary.BigEndian.AppendUint16(quantisation, uint16(r[b].exponent<<11))
		}
	}
	return codestream(quantised, rows, cols, precision, false, levels, resolutions, 0, quantisation)
}

func encodeReversible(pix []uint16, rows, cols, precision int, signed bool, levels int) ([]byte, error) {
	plane := make([]int32, len(pix))
	unused := 32 - precision
	half := int32(1) << (precision - 1)
	for i, v := range pix {
		if signed {
			plane[i] = int32(v) << unused >> unused
		} else {
			plane[i] = int32(v) - half // G.1
		}
	}
	decompose(plane, rows, cols, levels, reversible53)
	resolutions := subbands(rows, cols, levels)
	quantisation := []byte{guardBits << 5} // none
	for _, r := range resolutions {
		for b := range r {
			r[b].exponent = precision + r[b].gain()
			quantisation = append(quantisation, byte(r[b].exponent<<3))
		}
	}
	return codestream(plane, rows, cols, precision, signed, levels, resolutions, 1, quantisation)
}

// stepSize is (E-3) with a mantissa of 0.
func stepSize(dynamicRange, exponent int) float32 {
	if n := exponent - dynamicRange; n > 0 {
		return 1 / float32(int(1)<<n)
	}
	return float32(int(1) << (dynamicRange - exponent))
}

func check(pix []uint16, rows, cols, precision int) error {
	if rows < 1 || cols < 1 || rows > 32767 || cols > 32767 || len(pix) != rows*cols {
		return fmt.Errorf("jpeg2000: %d samples for %d × %d", len(pix), rows, cols)
	}
	if precision < 2 || precision > 16 {
		return fmt.Errorf("jpeg2000: precision %d, want 2 to 16", precision)
	}
	return nil
}

// levelsOf returns the number of decomposition levels: five, or as many as leave
// no side empty.
func levelsOf(rows, cols int) int {
	return min(mostLevels, bits.Len(uint(min(rows, cols)))-1)
}

// codestream codes the coefficients and returns the whole codestream (Annex A).
// transformation is 1 for 5/3, 0 for 9/7 (Table A.20).
func codestream(plane []int32, rows, cols, precision int, signed bool, levels int,
	resolutions [][]subband, transformation byte, quantisation []byte) ([]byte, error) {
	if err := codeBlocks(plane, cols, resolutions); err != nil {
		return nil, err
	}
	var data []byte
	for _, r := range resolutions {
		data = appendPacket(data, r)
	}

	depth := byte(precision - 1)
	if signed {
		depth |= 0x80
	}
	size := []byte{0, 0}                                          // Rsiz: no restriction
	for _, v := range []int{cols, rows, 0, 0, cols, rows, 0, 0} { // image and tile
		size = binary.BigEndian.AppendUint32(size, uint32(v))
	}
	size = append(size, 0, 1, depth, 1, 1)
	const codeBlockExponent = blockExponent - 2

	out := binary.BigEndian.AppendUint16(make([]byte, 0, len(data)+256), markerSOC)
	out = appendSegment(out, markerSIZ, size...)
	out = appendSegment(out, markerCOD, 0, // no precincts, no SOP, no EPH
		0, 0, 1, 0, // layer-resolution-component-position, 1 layer, no component transform
		byte(levels), codeBlockExponent, codeBlockExponent, 0, transformation)
	out = appendSegment(out, markerQCD, quantisation...)
	tile := make([]byte, 0, 8)
	tile = append(tile, 0, 0)
	tile = binary.BigEndian.AppendUint32(tile, uint32(12+2+len(data))) // SOT, SOD, data
	tile = append(tile, 0, 1)
	out = appendSegment(out, markerSOT, tile...)
	out = binary.BigEndian.AppendUint16(out, markerSOD)
	out = append(out, data...)
	return binary.BigEndian.AppendUint16(out, markerEOC), nil
}

func appendSegment(out []byte, marker uint16, params ...byte) []byte {
	out = binary.BigEndian.AppendUint16(out, marker)
	out = binary.BigEndian.AppendUint16(out, uint16(len(params)+2))
	return append(out, params...)
}
