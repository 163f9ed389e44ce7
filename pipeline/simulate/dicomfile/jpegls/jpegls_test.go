package jpegls

import (
	"bytes"
	"encoding/hex"
	"math/rand/v2"
	"testing"
)

// T.87 Annex H.3 codes a 4 × 4 picture of 8 bits without loss and prints every
// byte. Picture and bytes are from memory of that annex.
func TestEncodeWorkedExample(t *testing.T) {
	pix := []uint16{
		0, 0, 90, 74,
		68, 50, 43, 205,
		64, 145, 145, 145,
		100, 145, 145, 145,
	}
	want, err := hex.DecodeString("ffd8" +
		"fff7000b08000400040101" + "1100" +
		"ffda0008010100000000" +
		"c000006c80208e01c0000057400000" + "6ee6000001bc18000005d8000091" + "60" +
		"ffd9")
	if err != nil {
		t.Fatal(err)
	}
	got, err := Encode(pix, 4, 4, 8, 0)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("got  %x\nwant %x", got, want)
	}
}

// The default thresholds that T.87 Table C.3 prints for 8 bits without loss,
// and those of its formula for 12 and 16 bits; from memory of the table.
func TestThresholds(t *testing.T) {
	tests := []struct{ maxval, near, t1, t2, t3 int32 }{
		{255, 0, 3, 7, 21},
		{4095, 0, 18, 67, 276},
		{65535, 0, 18, 67, 276},
	}
	for _, tt := range tests {
		t1, t2, t3 := thresholds(tt.maxval, tt.near)
		if t1 != tt.t1 || t2 != tt.t2 || t3 != tt.t3 {
			t.Errorf("thresholds(%d, %d) = %d, %d, %d, want %d, %d, %d",
				tt.maxval, tt.near, t1, t2, t3, tt.t1, tt.t2, tt.t3)
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	tests := []struct {
		name                        string
		rows, cols, precision, near int
	}{
		{"no rows", 0, 4, 8, 0},
		{"wrong size", 3, 3, 8, 0},
		{"1 bit", 2, 2, 1, 0},
		{"17 bits", 2, 2, 17, 0},
		{"negative near", 2, 2, 8, -1},
		{"near past half of the range", 2, 2, 4, 8},
	}
	for _, tt := range tests {
		if _, err := Encode(make([]uint16, 4), tt.rows, tt.cols, tt.precision, tt.near); err == nil {
			t.Errorf("%s: no error", tt.name)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	const rows, cols = 750, 1000
	rng := rand.New(rand.NewPCG(1, 2))
	pix := make([]uint16, rows*cols)
	for i := range pix {
		pix[i] = uint16(20000 + 20*(i%cols) + int(rng.NormFloat64()*60))
	}
	b.SetBytes(2 * rows * cols)
	for b.Loop() {
		if _, err := Encode(pix, rows, cols, 16, 0); err != nil {
			b.Fatal(err)
		}
	}
}
