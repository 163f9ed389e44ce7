package jpeg

import (
	"bytes"
	"image"
	stdjpeg "image/jpeg"
	"math"
	"math/rand/v2"
	"testing"
)

// The codes of T.81 Table K.3 (luminance DC differences), printed there beside
// the lists that make them; from memory of the table.
func TestTableCodes(t *testing.T) {
	counts := [16]int{0, 1, 5, 1, 1, 1, 1, 1, 1}
	symbols := []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}
	want := []struct {
		code uint16
		size uint8
	}{
		{0b00, 2}, {0b010, 3}, {0b011, 3}, {0b100, 3}, {0b101, 3}, {0b110, 3},
		{0b1110, 4}, {0b11110, 5}, {0b111110, 6}, {0b1111110, 7}, {0b11111110, 8}, {0b111111110, 9},
	}
	table := newTable(counts, symbols)
	for s, w := range want {
		if table.code[s] != w.code || table.size[s] != w.size {
			t.Errorf("category %d: %b of %d bits, want %b of %d", s, table.code[s], table.size[s], w.code, w.size)
		}
	}
}

// A fitted table has a prefix-free code of at most 16 bits for each symbol, none
// of it all 1s (T.81 C.2), and is no longer than entropy + 1 bit a symbol where
// the limit of 16 bits does not bind (Huffman's bound).
func TestFitTable(t *testing.T) {
	var fibonacci, few [256]int // the first needs codes of more than 16 bits
	a, b := 1, 1
	for i := range 30 {
		fibonacci[i] = a
		a, b = b, a+b
	}
	few[0], few[3], few[7], few[16] = 1000, 300, 40, 1
	one := [256]int{5: 9}
	for name, freq := range map[string][256]int{"fibonacci": fibonacci, "few": few, "one": one} {
		table := fitTable(freq)
		kraft, length, total, entropy := 0.0, 0.0, 0.0, 0.0
		for _, n := range freq {
			total += float64(n)
		}
		for s, n := range freq {
			if (n > 0) != (table.size[s] > 0) {
				t.Fatalf("%s: symbol %d of frequency %d has %d bits", name, s, n, table.size[s])
			}
			if n == 0 {
				continue
			}
			if table.size[s] > 16 || table.code[s] == 1<<table.size[s]-1 {
				t.Errorf("%s: symbol %d has code %b of %d bits", name, s, table.code[s], table.size[s])
			}
			kraft += math.Pow(2, -float64(table.size[s]))
			p := float64(n) / total
			length += p * float64(table.size[s])
			entropy -= p * math.Log2(p)
		}
		if kraft >= 1 {
			t.Errorf("%s: Kraft sum %g leaves no code of 1s", name, kraft)
		}
		if name != "fibonacci" && length > entropy+1+0.01 {
			t.Errorf("%s: %.3f bits a symbol, entropy %.3f", name, length, entropy)
		}
	}
}

// T.81 Figure A.6 begins and ends so.
func TestZigzag(t *testing.T) {
	want := []int{0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12}
	for k, at := range want {
		if zigzag[k] != at {
			t.Errorf("coefficient %d is at %d, want %d", k, zigzag[k], at)
		}
	}
	if zigzag[61] != 55 || zigzag[62] != 62 || zigzag[63] != 63 {
		t.Errorf("ends with %v", zigzag[61:])
	}
}

// The forward DCT is T.81 A.3.3, here summed as it is printed.
func TestForwardDCT(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var s [8][8]float64
	for y := range s {
		for x := range s[y] {
			s[y][x] = float64(rng.IntN(4096) - 2048)
		}
	}
	got := s
	forwardDCT(&got)
	c := func(u int) float64 {
		if u == 0 {
			return 1 / math.Sqrt2
		}
		return 1
	}
	for v := range 8 {
		for u := range 8 {
			var sum float64
			for y := range 8 {
				for x := range 8 {
					sum += s[y][x] * math.Cos(float64(2*x+1)*float64(u)*math.Pi/16) *
						math.Cos(float64(2*y+1)*float64(v)*math.Pi/16)
				}
			}
			if want := c(u) * c(v) / 4 * sum; math.Abs(got[v][u]-want) > 1e-8 {
				t.Errorf("S(%d, %d) = %g, want %g", v, u, got[v][u], want)
			}
		}
	}
}

// The quantisation table at quality 50 is Table K.1, and image/jpeg states the
// same at every quality.
func TestQuantisation(t *testing.T) {
	for _, quality := range []int{1, 10, 49, 50, 75, 95, 100} {
		var b bytes.Buffer
		if err := stdjpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8)), &stdjpeg.Options{Quality: quality}); err != nil {
			t.Fatal(err)
		}
		_, dqt, _ := bytes.Cut(b.Bytes(), []byte{0xFF, 0xDB})
		q := quantisation(quality)
		for k, at := range zigzag {
			if got, want := q[at], int(dqt[3+k]); got != want {
				t.Fatalf("quality %d: coefficient %d is divided by %d, want %d", quality, k, got, want)
			}
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	pix := make([]uint16, 4)
	for name, err := range map[string]error{
		"size":      second(EncodeLossless(pix, 3, 3, 8, 1)),
		"precision": second(EncodeLossless(pix, 2, 2, 17, 1)),
		"predictor": second(EncodeLossless(pix, 2, 2, 8, 8)),
		"quality":   second(EncodeExtended12(pix, 2, 2, 0)),
	} {
		if err == nil {
			t.Errorf("wrong %s: no error", name)
		}
	}
}

func second(_ []byte, err error) error { return err }
