package jpeg_test

import (
	"errors"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/pipeline/intake/codec"
	"shaftgauge/pipeline/intake/codec/jpeg"
)

// encoder writes lossless codestreams straight from T.81 annex H, with a plain
// Huffman table: category c has the 5-bit code c. It makes what no program at
// hand writes: restart intervals, point transforms, 16-bit differences.
type encoder struct {
	rows, cols, samples, bits int
	predictor, shift, restart int // restart in rows
}

func (e encoder) encode(pixels []uint16) []byte {
	out := []byte{0xFF, 0xD8, 0xFF, 0xC4, 0, 2 + 17 + 17, 0}
	out = append(out, 0, 0, 0, 0, 17, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
	for c := range 17 {
		out = append(out, byte(c))
	}
	out = append(out, 0xFF, 0xC3, 0, byte(8+3*e.samples), byte(e.bits), byte(e.rows>>8), byte(e.rows), byte(e.cols>>8), byte(e.cols), byte(e.samples))
	for c := range e.samples {
		out = append(out, byte(c+1), 0x11, 0)
	}
	if e.restart > 0 {
		n := e.restart * e.cols
		out = append(out, 0xFF, 0xDD, 0, 4, byte(n>>8), byte(n))
	}
	out = append(out, 0xFF, 0xDA, 0, byte(6+2*e.samples), byte(e.samples))
	for c := range e.samples {
		out = append(out, byte(c+1), 0)
	}
	out = append(out, byte(e.predictor), 0, byte(e.shift))

	var acc uint64
	var n int
	put := func(v uint64, width int) {
		acc, n = acc<<width|v, n+width
		for ; n >= 8; n -= 8 {
			b := byte(acc >> (n - 8))
			if out = append(out, b); b == 0xFF {
				out = append(out, 0)
			}
		}
	}
	first := true
	marks := 0
	for y := range e.rows {
		if e.restart > 0 && y > 0 && y%e.restart == 0 {
			if n > 0 {
				put(1<<(8-n)-1, 8-n)
			}
			out = append(out, 0xFF, 0xD0+byte(marks%8))
			marks++
			first = true
		}
		for x := range e.cols {
			for c := range e.samples {
				at := func(y, x int) int { return int(pixels[(y*e.cols+x)*e.samples+c] >> e.shift) }
				var p int
				switch {
				case first && x == 0:
					p = 1 << (e.bits - e.shift - 1)
				case first:
					p = at(y, x-1)
				case x == 0:
					p = at(y-1, x)
				default:
					ra, rb, rc := at(y, x-1), at(y-1, x), at(y-1, x-1)
					p = []int{0, ra, rb, rc, ra + rb - rc, ra + (rb-rc)>>1, rb + (ra-rc)>>1, (ra + rb) >> 1}[e.predictor]
				}
				d := int(int16(uint16(at(y, x) - p)))
				category := bits.Len(uint(max(d, -d)))
				put(uint64(category), 5)
				if category < 16 {
					if d < 0 {
						d += 1<<category - 1
					}
					put(uint64(d), category)
				}
			}
		}
		first = false
	}
	if n > 0 {
		put(1<<(8-n)-1, 8-n)
	}
	return append(out, 0xFF, 0xD9)
}

func noise(n, bits int) []uint16 {
	rng := rand.New(rand.NewPCG(3, 4))
	out := make([]uint16, n)
	for i := range out {
		out[i] = uint16(rng.Uint32()) >> (16 - bits)
	}
	return out
}

func TestDecodeLossless(t *testing.T) {
	for predictor := 1; predictor <= 7; predictor++ {
		for _, e := range []encoder{
			{rows: 9, cols: 13, samples: 1, bits: 16},
			{rows: 9, cols: 13, samples: 1, bits: 16, restart: 1},
			{rows: 9, cols: 13, samples: 1, bits: 12, restart: 4},
			{rows: 9, cols: 13, samples: 1, bits: 12, shift: 3},
			{rows: 9, cols: 13, samples: 3, bits: 8},
			{rows: 1, cols: 1, samples: 1, bits: 2},
		} {
			e.predictor = predictor
			pixels := noise(e.rows*e.cols*e.samples, e.bits)
			for i := range pixels {
				pixels[i] = pixels[i] >> e.shift << e.shift
			}
			src := e.encode(pixels)
			shape, process, err := jpeg.Inspect(src)
			if want := (codec.Shape{Rows: e.rows, Cols: e.cols, Samples: e.samples, Bits: e.bits}); err != nil || shape != want || process != jpeg.Lossless {
				t.Fatalf("%+v: shape %+v, process %x, %v", e, shape, process, err)
			}
			dst := make([]uint16, len(pixels))
			if err := jpeg.DecodeLossless(dst, src); err != nil {
				t.Fatalf("%+v: %v", e, err)
			}
			if !slices.Equal(dst, pixels) {
				t.Fatalf("%+v: wrong pixels", e)
			}
		}
	}
}

// TestDamage: what is cut off or has no meaning is an error, whatever the place.
func TestDamage(t *testing.T) {
	e := encoder{rows: 9, cols: 13, samples: 1, bits: 12, predictor: 1}
	pixels := noise(9*13, 12)
	src := e.encode(pixels)
	for n := range len(src) - 3 { // the last bits may be padding
		if err := jpeg.DecodeLossless(make([]uint16, len(pixels)), slices.Clone(src[:n])); err == nil {
			t.Fatalf("cut at %d of %d: no error", n, len(src))
		}
	}
	if err := jpeg.DecodeLossless(make([]uint16, len(pixels)-1), slices.Clone(src)); err == nil {
		t.Error("frame larger than the picture: no error")
	}
	e.predictor = 0
	if err := jpeg.DecodeLossless(make([]uint16, len(pixels)), e.encode(pixels)); err == nil {
		t.Error("predictor 0: no error")
	}
	// Height given after the scan (DNL, B.2.5) is good JPEG that we do not know.
	late := slices.Clone(src)
	sof := slices.Index(late, 0xC3)
	late[sof+4], late[sof+5] = 0, 0
	if _, _, err := jpeg.Inspect(late); !errors.Is(err, codec.ErrUnsupported) {
		t.Errorf("height after the scan: %v", err)
	}
}
