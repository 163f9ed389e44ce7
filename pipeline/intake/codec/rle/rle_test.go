package rle_test

import (
	"encoding/binary"
	"slices"
	"testing"

	"shaftgauge/pipeline/intake/codec/rle"
)

// frame puts segments behind an RLE header (PS3.5 G.5).
func frame(segments ...[]byte) []byte {
	out := make([]byte, 64)
	binary.LittleEndian.PutUint32(out, uint32(len(segments)))
	for i, s := range segments {
		binary.LittleEndian.PutUint32(out[4+4*i:], uint32(len(out)))
		out = append(out, s...)
	}
	return out
}

// The worked example of Apple's Technical Note TN1023 on PackBits (from memory).
var (
	packed   = []byte{0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA}
	unpacked = []byte{
		0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA, 0xAA, 0xAA, 0x80, 0x00,
		0x2A, 0x22, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA,
	}
)

func TestDecode(t *testing.T) {
	var want8, want16 []uint16
	for _, b := range unpacked {
		want8 = append(want8, uint16(b))
		want16 = append(want16, uint16(b)<<8|0x07)
	}
	low := []byte{256 - 23, 0x07} // 24 times 7
	for _, c := range []struct {
		name    string
		src     []byte
		samples int
		bytes   int
		want    []uint16 // nil: an error
	}{
		{"published sample", frame(packed), 1, 1, want8},
		{"no operation is skipped", frame(append([]byte{0x80}, packed...)), 1, 1, want8},
		{"most significant byte first", frame(packed, low), 1, 2, want16},
		{"no header", packed, 1, 1, nil},
		{"too few segments", frame(packed), 1, 2, nil},
		{"too many segments", frame(packed, low), 1, 1, nil},
		{"what follows the last pixel is ignored", frame(append(slices.Clone(packed), packed...)), 1, 1, want8},
		{"cut in a literal", frame(packed[:5]), 1, 1, nil},
		{"cut before a run", frame(packed[:13]), 1, 1, nil},
		{"too long a run", frame([]byte{0x81, 0xAA}), 1, 1, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			dst := make([]uint16, len(unpacked))
			err := rle.Decode(dst, c.src, c.samples, c.bytes)
			if (err == nil) != (c.want != nil) {
				t.Fatalf("error %v", err)
			}
			if err == nil && !slices.Equal(dst, c.want) {
				t.Errorf("got %x, want %x", dst, c.want)
			}
		})
	}
	bad := frame(packed)
	binary.LittleEndian.PutUint32(bad[4:], 1<<31)
	if err := rle.Decode(make([]uint16, 24), bad, 1, 1); err == nil {
		t.Error("segment offset past the end: no error")
	}
}
