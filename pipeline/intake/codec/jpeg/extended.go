package jpeg

import (
	"fmt"
	"math"

	"shaftgauge/pipeline/intake/codec"
)

// zigzag gives the place, row by row, of each coefficient in coded order
// (T.81 figure A.6).
var zigzag = [64]byte{
	0, 1, 8, 16, 9, 2, 3, 10,
	17, 24, 32, 25, 18, 11, 4, 5,
	12, 19, 26, 33, 40, 48, 41, 34,
	27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36,
	29, 22, 15, 23, 30, 37, 44, 51,
	58, 59, 52, 45, 38, 31, 39, 46,
	53, 60, 61, 54, 47, 55, 62, 63,
}

// cosine[u][x] is C(u)/2 · cos((2x+1)uπ/16), the kernel of the inverse DCT
// (T.81 A.3.3).
var cosine = func() (c [8][8]float32) {
	for u := range 8 {
		k := 0.5
		if u == 0 {
			k /= math.Sqrt2
		}
		for x := range 8 {
			c[u][x] = float32(k * math.Cos(float64(2*x+1)*float64(u)*math.Pi/16))
		}
	}
	return c
}()

// DecodeExtended decodes a sequential DCT codestream (T.81 annex F) with one
// component of 8 or 12 bits into dst, which holds Rows·Cols words. src is used
// up: its bytes change.
//
// Errors: damage, data missing; codec.ErrUnsupported for more components.
func DecodeExtended(dst []uint16, src []byte) error {
	f, err := parse(src, false)
	if err != nil {
		return err
	}
	if f.process != Baseline && f.process != Extended || f.Bits != 8 && f.Bits != 12 || len(dst) != f.Words() {
		return fmt.Errorf("jpeg: no sequential frame of %d samples", len(dst))
	}
	if f.Samples != 1 {
		return fmt.Errorf("jpeg: extended with %d components: %w", f.Samples, codec.ErrUnsupported)
	}
	comps, _, err := f.components(true)
	if err != nil {
		return err
	}
	in := segments{rest: f.entropy}
	r := reader{data: in.next()}
	wide, n := (f.Cols+7)/8, 0
	var dc int32
	var block [64]float32
	for by := range (f.Rows + 7) / 8 {
		for bx := range wide {
			if f.restart > 0 && n > 0 && n%f.restart == 0 {
				r, dc = reader{data: in.next()}, 0
			}
			n++
			if !r.block(&block, comps[0], &dc) {
				return fmt.Errorf("jpeg: damaged at block row %d", by)
			}
			f.place(dst, &block, 8*by, 8*bx)
		}
		if r.overrun() {
			return fmt.Errorf("jpeg: cut off at block row %d", by)
		}
	}
	return nil
}

// block decodes the coefficients of one block, dequantised (F.2.2).
func (r *reader) block(out *[64]float32, c component, dc *int32) bool {
	clear(out[:])
	diff, _, ok := r.take(c.dc)
	if !ok {
		return false
	}
	*dc += diff
	out[0] = float32(*dc) * float32(c.quantum[0])
	for k := 1; k < 64; k++ {
		run, size, v, ok := r.runLength(c.ac)
		if !ok {
			return false
		}
		if size == 0 {
			if run != 15 {
				break
			}
			k += 15
			continue
		}
		if k += run; k > 63 {
			return false
		}
		out[zigzag[k]] = float32(v) * float32(c.quantum[k])
	}
	return true
}

// runLength decodes a run of zeros and the coefficient after it (F.2.2.2).
func (r *reader) runLength(h *huffman) (run, size int, v int32, ok bool) {
	if r.n < 32 {
		r.fill()
	}
	e := uint64(h.look[r.acc>>(64-lookBits)])
	value, length := e>>8, e&0xFF
	if length == 0 {
		if value, length = h.long(r.acc >> 48); length == 0 {
			return 0, 0, 0, false
		}
	}
	v = r.extend(length, value&15)
	return int(value >> 4), int(value & 15), v, true
}

// place writes the inverse DCT of block at row y, column x, level shifted and
// clamped (A.3.1).
func (f *frame) place(dst []uint16, block *[64]float32, y, x int) {
	var half [64]float32 // rows transformed
	for v := range 8 {
		for u := range 8 {
			if k := block[8*v+u]; k != 0 {
				for i := range 8 {
					half[8*v+i] += k * cosine[u][i]
				}
			}
		}
	}
	rows, cols := min(8, f.Rows-y), min(8, f.Cols-x)
	level, top := float32(int(1)<<(f.Bits-1))+0.5, float32(int(1)<<f.Bits-1)
	for j := range rows {
		var line [8]float32
		for v := range 8 {
			k := cosine[v][j]
			for i := range 8 {
				line[i] += k * half[8*v+i]
			}
		}
		to := dst[(y+j)*f.Cols+x:][:cols]
		for i := range to {
			to[i] = uint16(min(max(line[i]+level, 0), top))
		}
	}
}
