// Package rle encodes frames by the DICOM run-length scheme.
//
// Source: DICOM PS3.5 Annex G, "Encapsulated RLE Compressed Images": the frame
// is cut into byte planes, most significant first, each a PackBits segment in
// which no run crosses the end of a row.
package rle

import (
	"encoding/binary"
	"fmt"
)

const headerBytes = 64 // PS3.5 G.5: sixteen unsigned 32-bit words

// Encode returns the RLE frame of pix: rows × cols samples of one component,
// row by row, each bytesPerSample (1 or 2) wide.
func Encode(pix []uint16, rows, cols, bytesPerSample int) ([]byte, error) {
	if rows < 1 || cols < 1 || len(pix) != rows*cols {
		return nil, fmt.Errorf("rle: %d samples for %d × %d", len(pix), rows, cols)
	}
	if bytesPerSample != 1 && bytesPerSample != 2 {
		return nil, fmt.Errorf("rle: %d bytes a sample, want 1 or 2", bytesPerSample)
	}
	out := make([]byte, headerBytes, headerBytes+len(pix)*bytesPerSample)
	binary.LittleEndian.PutUint32(out, uint32(bytesPerSample))
	plane := make([]byte, cols)
	for s := range bytesPerSample {
		binary.LittleEndian.PutUint32(out[4+4*s:], uint32(len(out)))
		shift := 8 * (bytesPerSample - 1 - s)
		for y := range rows {
			for x, v := range pix[y*cols : (y+1)*cols] {
				plane[x] = byte(v >> shift)
			}
			out = appendPackBits(out, plane)
		}
		if len(out)%2 == 1 {
			out = append(out, 0)
		}
	}
	return out, nil
}

// appendPackBits appends one row (PS3.5 G.3.1): a replicate run of n bytes is
// 1−n and the byte, a literal run is n−1 and the n bytes; n is at most 128.
func appendPackBits(out, row []byte) []byte {
	const most = 128
	for i := 0; i < len(row); {
		n := runLength(row[i:], most)
		if n >= 2 {
			out = append(out, byte(1-n), row[i])
			i += n
			continue
		}
		end := i + 1
		// A two-byte run inside a literal costs nothing; three or more end it.
		for end < len(row) && end-i < most && runLength(row[end:], 3) < 3 {
			end++
		}
		out = append(out, byte(end-i-1))
		out = append(out, row[i:end]...)
		i = end
	}
	return out
}

// runLength returns how many bytes at the start of row are equal, at most limit.
func runLength(row []byte, limit int) int {
	n := 1
	for n < len(row) && n < limit && row[n] == row[0] {
		n++
	}
	return n
}
