package jpeg

import (
	"encoding/binary"
	"fmt"
	"math/bits"
)

// EncodeLossless returns the lossless JPEG of pix, rows × cols samples of
// precision bits (2 to 16), by process 14 with the given predictor (T.81 Table
// H.1, 1 to 7). Predictor 1 makes it DICOM's "first-order prediction,
// selection value 1". The point transform is 0.
//
// Source: T.81 Annex H.
func EncodeLossless(pix []uint16, rows, cols, precision, predictor int) ([]byte, error) {
	if err := checkFrame(pix, rows, cols); err != nil {
		return nil, err
	}
	if precision < 2 || precision > 16 {
		return nil, fmt.Errorf("jpeg: lossless: precision %d, want 2 to 16", precision)
	}
	if predictor < 1 || predictor > 7 {
		return nil, fmt.Errorf("jpeg: lossless: predictor %d, want 1 to 7", predictor)
	}
	diff := differences(pix, rows, cols, precision, predictor)
	var freq [256]int
	for _, d := range diff {
		freq[category(int32(d))]++
	}
	huff := fitTable(freq)

	out := binary.BigEndian.AppendUint16(nil, markerSOI)
	out = appendSegment(out, markerSOF3, frameHeader(precision, rows, cols)...)
	out = appendSegment(out, markerDHT, huff.segment(0)...)
	out = appendSegment(out, markerSOS, scanHeader(byte(predictor), 0)...)
	w := bitWriter{out: append(make([]byte, 0, len(out)+len(pix)), out...)}
	for _, d := range diff {
		s := category(int32(d))
		extra := uint32(int32(d))
		if d < 0 {
			extra--
		}
		n := uint(s)
		if s == 16 {
			n = 0 // T.81 H.1.2.2: a difference of 32768 has no extra bits
		}
		w.symbol(huff, s, extra, n)
	}
	w.flush()
	return binary.BigEndian.AppendUint16(w.out, markerEOI), nil
}

// differences returns sample less prediction modulo 2¹⁶ (T.81 H.1.2.1); −32768
// stands for 32768.
func differences(pix []uint16, rows, cols, precision, predictor int) []int16 {
	diff := make([]int16, len(pix))
	left := int32(1) << (precision - 1)
	for x, v := range pix[:cols] {
		diff[x] = int16(int32(v) - left)
		left = int32(v)
	}
	for y := 1; y < rows; y++ {
		above := pix[(y-1)*cols : y*cols]
		row := pix[y*cols : (y+1)*cols]
		d := diff[y*cols : (y+1)*cols]
		d[0] = int16(int32(row[0]) - int32(above[0]))
		for x := 1; x < cols; x++ {
			ra, rb, rc := int32(row[x-1]), int32(above[x]), int32(above[x-1])
			d[x] = int16(int32(row[x]) - predict(predictor, ra, rb, rc))
		}
	}
	return diff
}

// predict is T.81 Table H.1: ra left, rb above, rc above left.
func predict(predictor int, ra, rb, rc int32) int32 {
	switch predictor {
	case 1:
		return ra
	case 2:
		return rb
	case 3:
		return rc
	case 4:
		return ra + rb - rc
	case 5:
		return ra + (rb-rc)>>1
	case 6:
		return rb + (ra-rc)>>1
	default:
		return (ra + rb) >> 1
	}
}

// category returns SSSS, the number of extra bits of v (T.81 Tables F.1, H.2).
func category(v int32) byte {
	if v < 0 {
		v = -v
	}
	return byte(bits.Len32(uint32(v)))
}
