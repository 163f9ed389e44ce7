// Package jpeg encodes one-component frames by the two processes of
// ITU-T T.81 (ISO/IEC 10918-1) that image/jpeg lacks: the lossless process 14
// (Annex H), up to 16 bits, and the extended sequential DCT process 4
// (Annexes A and F) at 12 bits.
//
// Both make two passes over the frame and write Huffman tables fitted to it
// (Annex K.2). There are no restart intervals.
package jpeg

import (
	"encoding/binary"
	"fmt"
)

// Marker codes of T.81 Table B.1.
const (
	markerSOF1 = 0xFFC1 // extended sequential DCT, Huffman
	markerSOF3 = 0xFFC3 // lossless, Huffman
	markerDHT  = 0xFFC4
	markerSOI  = 0xFFD8
	markerEOI  = 0xFFD9
	markerSOS  = 0xFFDA
	markerDQT  = 0xFFDB
)

// appendSegment appends a marker segment: the marker, its length and its
// parameters (T.81 B.1.1.4).
func appendSegment(out []byte, marker uint16, params ...byte) []byte {
	out = binary.BigEndian.AppendUint16(out, marker)
	out = binary.BigEndian.AppendUint16(out, uint16(len(params)+2))
	return append(out, params...)
}

// frameHeader returns the parameters of a SOF segment with one component that
// is not subsampled and uses quantisation table 0 (T.81 B.2.2).
func frameHeader(precision, rows, cols int) []byte {
	return []byte{
		byte(precision),
		byte(rows >> 8), byte(rows),
		byte(cols >> 8), byte(cols),
		1, 1, 0x11, 0,
	}
}

// scanHeader returns the parameters of a SOS segment of component 1 with the
// Huffman tables 0 (T.81 B.2.3). In a lossless scan ss is the predictor.
func scanHeader(ss, se byte) []byte {
	return []byte{1, 1, 0x00, ss, se, 0}
}

func checkFrame(pix []uint16, rows, cols int) error {
	if rows < 1 || cols < 1 || rows > 65535 || cols > 65535 || len(pix) != rows*cols {
		return fmt.Errorf("jpeg: %d samples for %d × %d", len(pix), rows, cols)
	}
	return nil
}
