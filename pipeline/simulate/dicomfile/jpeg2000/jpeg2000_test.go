package jpeg2000

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"testing"
)

// The arithmetic coder's test sequence of ITU-T T.88 (JBIG2) H.2, whose coder is
// that of T.800 Annex C with one context in state 0: 256 decisions and the bytes
// that code them. Both from memory; the annex ends the bytes with a marker
// FF AC, which is no part of the data here.
func TestArithmeticCoderSequence(t *testing.T) {
	in, _ := hex.DecodeString("00020051000000C0" + "0352872AAAAAAAAA" + "82C02000FCD79EF6" + "BF7FED904F46A3BF")
	want, _ := hex.DecodeString("84C73BFCE1A14304" + "02200000410DBB86" + "F4317FFF88FF3747" + "1ADB6ADF")
	var m mqEncoder
	m.reset()
	for _, b := range in {
		for i := 7; i >= 0; i-- {
			m.encode(0, uint32(b>>i&1))
		}
	}
	if got := m.flush(); !bytes.Equal(got, want) {
		t.Errorf("got  %X\nwant %X", got, want)
	}
}

// T.800 J.10.1 codes a picture of 1 column and 9 rows of 8 bits with one level of
// the 5/3 wavelet and prints the bytes of its two packets. Picture and bytes are
// from memory; the last byte of each code-block is left out of the comparison,
// since it depends on how an encoder ends the codeword (C.2.9 allows several).
func TestEncodeWorkedExample(t *testing.T) {
	pix := []uint16{101, 103, 104, 105, 96, 97, 96, 102, 109}
	out, err := encodeReversible(pix, 9, 1, 8, false, 1)
	if err != nil {
		t.Fatal(err)
	}
	_, data, found := bytes.Cut(out, []byte{markerSOD >> 8, markerSOD & 0xFF})
	if !found || len(data) != 16+2 {
		t.Fatalf("%X: want 16 bytes of data before the EOC marker", out)
	}
	first, _ := hex.DecodeString("C7D40C" + "018F0DC875")
	second, _ := hex.DecodeString("C07C2180" + "0FB1")
	if got := data[:8]; !bytes.Equal(got, first) {
		t.Errorf("packet 1 is %X, want %X", got, first)
	}
	if got := data[9:15]; !bytes.Equal(got, second) {
		t.Errorf("packet 2 is %X, want %X", got, second)
	}
	if !bytes.Contains(out, []byte{0x40, 0x40, 0x48, 0x48, 0x50}) {
		t.Error("quantisation segment is not 40 40 48 48 50")
	}
}

// Both wavelets are undone by the inverse lifting steps of F.3.8, written here
// sample by sample as the clause does.
func TestDecomposeInverts(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, size := range [][2]int{{1, 1}, {1, 9}, {9, 1}, {2, 2}, {3, 5}, {8, 13}, {33, 64}} {
		rows, cols := size[0], size[1]
		levels := levelsOf(rows, cols)
		want := make([]int32, rows*cols)
		real := make([]float32, rows*cols)
		for i := range want {
			want[i] = int32(rng.IntN(65536)) - 32768
			real[i] = float32(want[i])
		}
		got := append([]int32(nil), want...)
		decompose(got, rows, cols, levels, reversible53)
		decompose(real, rows, cols, levels, irreversible97)
		reconstruct(got, rows, cols, levels, inverse53)
		back := make([]float64, len(real))
		for i, v := range real {
			back[i] = float64(v)
		}
		reconstruct(back, rows, cols, levels, inverse97)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("%d × %d: 5/3 gives %d at %d, want %d", rows, cols, got[i], i, want[i])
			}
			if math.Abs(back[i]-float64(want[i])) > 0.1 {
				t.Fatalf("%d × %d: 9/7 gives %g at %d, want %d", rows, cols, back[i], i, want[i])
			}
		}
	}
}

// reconstruct is 2D_SR of F.3.2: interleave, rows, columns.
func reconstruct[T int32 | float64](plane []T, rows, cols, levels int, inverse func([]T)) {
	for level := levels - 1; level >= 0; level-- {
		w, h := cols, rows
		for range level {
			w, h = (w+1)/2, (h+1)/2
		}
		whole := make([]T, w*h)
		for y := range h {
			for x := range w {
				u, v := x/2, y/2
				if x%2 == 1 {
					u += (w + 1) / 2
				}
				if y%2 == 1 {
					v += (h + 1) / 2
				}
				whole[y*w+x] = plane[v*cols+u]
			}
		}
		for y := range h {
			inverse(whole[y*w : (y+1)*w])
		}
		for x := range w {
			column := make([]T, h)
			for y := range column {
				column[y] = whole[y*w+x]
			}
			inverse(column)
			for y, v := range column {
				plane[y*cols+x] = v
			}
		}
	}
}

func mirrored(i, n int) int {
	if i < 0 {
		i = -i
	}
	if i >= n {
		i = 2*(n-1) - i
	}
	return i
}

// inverse53 is (F-5) and (F-6).
func inverse53(x []int32) {
	n := len(x)
	if n < 2 {
		return
	}
	floor := func(v, d int32) int32 { return int32(math.Floor(float64(v) / float64(d))) }
	for i := 0; i < n; i += 2 {
		x[i] -= floor(x[mirrored(i-1, n)]+x[mirrored(i+1, n)]+2, 4)
	}
	for i := 1; i < n; i += 2 {
		x[i] += floor(x[mirrored(i-1, n)]+x[mirrored(i+1, n)], 2)
	}
}

// inverse97 is (F-7), with the constants of Table F.4.
func inverse97(x []float64) {
	const k = 1.230174104914001
	n := len(x)
	if n < 2 {
		return
	}
	for i := range x {
		if i%2 == 0 {
			x[i] *= k
		} else {
			x[i] /= k
		}
	}
	for step, c := range []float64{0.443506852043971, 0.882911075530934, -0.052980118572961, -1.586134342059924} {
		for i := step % 2; i < n; i += 2 {
			x[i] -= c * (x[mirrored(i-1, n)] + x[mirrored(i+1, n)])
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	pix := make([]uint16, 4)
	if _, err := EncodeLossless(pix, 3, 3, 8, false); err == nil {
		t.Error("wrong size: no error")
	}
	if _, err := EncodeLossless(pix, 2, 2, 17, false); err == nil {
		t.Error("17 bits: no error")
	}
	if _, err := EncodeLossy(pix, 2, 2, 8, 7); err == nil {
		t.Error("step exponent 7: no error")
	}
}

func BenchmarkEncode(b *testing.B) {
	const rows, cols = 750, 1000
	rng := rand.New(rand.NewPCG(1, 2))
	pix := make([]uint16, rows*cols)
	for i := range pix {
		pix[i] = uint16(20000 + 20*(i%cols) + int(rng.NormFloat64()*60))
	}
	b.Run("lossless", func(b *testing.B) {
		b.SetBytes(2 * rows * cols)
		for b.Loop() {
			if _, err := EncodeLossless(pix, rows, cols, 16, false); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("lossy", func(b *testing.B) {
		b.SetBytes(2 * rows * cols)
		for b.Loop() {
			if _, err := EncodeLossy(pix, rows, cols, 16, 3); err != nil {
				b.Fatal(err)
			}
		}
	})
}
