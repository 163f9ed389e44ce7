package rle

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// The example of Apple's Technical Note TN1023, "Understanding PackBits" (from
// memory): 24 bytes and their packed form. DICOM's scheme is the same (PS3.5
// G.3).
func TestPackBitsExample(t *testing.T) {
	in := []byte{
		0xAA, 0xAA, 0xAA, 0x80, 0x00, 0x2A, 0xAA, 0xAA, 0xAA, 0xAA, 0x80, 0x00,
		0x2A, 0x22, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA,
	}
	want := []byte{
		0xFE, 0xAA, 0x02, 0x80, 0x00, 0x2A, 0xFD, 0xAA, 0x03, 0x80, 0x00, 0x2A, 0x22, 0xF7, 0xAA,
	}
	if got := appendPackBits(nil, in); !bytes.Equal(got, want) {
		t.Errorf("got  % X\nwant % X", got, want)
	}
}

// PS3.5 G.3.1 and G.5: a 64-byte header, the high bytes first, runs that stop at
// 128 and at the end of a row, segments of even length.
func TestEncodeLayout(t *testing.T) {
	const rows, cols = 2, 130
	pix := make([]uint16, rows*cols)
	for i := range pix {
		pix[i] = 0x1234
	}
	got, err := Encode(pix, rows, cols, 2)
	if err != nil {
		t.Fatal(err)
	}
	row := func(b byte) []byte { return []byte{0x81, b, 0xFF, b} } // 128 and 2 of them
	want := make([]byte, 64)
	binary.LittleEndian.PutUint32(want[0:], 2)
	binary.LittleEndian.PutUint32(want[4:], 64)
	binary.LittleEndian.PutUint32(want[8:], 72)
	want = append(want, bytes.Repeat(row(0x12), rows)...)
	want = append(want, bytes.Repeat(row(0x34), rows)...)
	if !bytes.Equal(got, want) {
		t.Errorf("got  % X\nwant % X", got, want)
	}

	odd, err := Encode([]uint16{7}, 1, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(odd) != 66 {
		t.Errorf("one sample takes %d bytes, want 66", len(odd))
	}
	even, err := Encode([]uint16{7, 8}, 1, 2, 1)
	if err != nil {
		t.Fatal(err)
	}
	if want := []byte{1, 7, 8, 0}; !bytes.Equal(even[64:], want) {
		t.Errorf("segment is % X, want % X", even[64:], want)
	}
}

func TestEncodeRefuses(t *testing.T) {
	if _, err := Encode(make([]uint16, 3), 2, 2, 2); err == nil {
		t.Error("wrong size: no error")
	}
	if _, err := Encode(make([]uint16, 4), 2, 2, 3); err == nil {
		t.Error("3 bytes a sample: no error")
	}
}
