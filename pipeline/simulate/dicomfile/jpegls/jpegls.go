// Package jpegls encodes one-component frames as JPEG-LS, lossless or with a
// bounded error.
//
// Source: ITU-T T.87 (ISO/IEC 14495-1), with the default thresholds of C.2.4.1.1
// and no restart intervals. Variables keep the standard's names; "A.n" in a
// comment is its clause.
package jpegls

import (
	"encoding/binary"
	"fmt"
	"math/bits"
)

// Marker codes (T.87 Table C.1).
const (
	markerSOI   = 0xFFD8
	markerEOI   = 0xFFD9
	markerSOS   = 0xFFDA
	markerSOF55 = 0xFFF7
)

const (
	reset    = 64 // halves the counters of a context (C.2.4.1.1)
	minC     = -128
	maxC     = 127
	contexts = 365 // of regular mode; two more stand for run interruption
)

// runOrder is the table J (A.2.1): the order of run length codes.
var runOrder = [32]uint{
	0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3,
	4, 4, 5, 5, 6, 6, 7, 7, 8, 9, 10, 11, 12, 13, 14, 15,
}

// Encode returns the JPEG-LS interchange format of pix, rows × cols samples of
// precision bits (2 to 16), row by row. No decoded sample differs by more than
// near grey levels; 0 is lossless.
func Encode(pix []uint16, rows, cols, precision, near int) ([]byte, error) {
	if rows < 1 || cols < 1 || rows > 65535 || cols > 65535 || len(pix) != rows*cols {
		return nil, fmt.Errorf("jpegls: %d samples for %d × %d", len(pix), rows, cols)
	}
	if precision < 2 || precision > 16 {
		return nil, fmt.Errorf("jpegls: precision %d, want 2 to 16", precision)
	}
	maxval := 1<<precision - 1
	if near < 0 || near > min(255, maxval/2) {
		return nil, fmt.Errorf("jpegls: near %d, want 0 to %d", near, min(255, maxval/2))
	}
	out := binary.BigEndian.AppendUint16(make([]byte, 0, len(pix)), markerSOI)
	out = appendSegment(out, markerSOF55,
		byte(precision), byte(rows>>8), byte(rows), byte(cols>>8), byte(cols), 1, 1, 0x11, 0)
	out = appendSegment(out, markerSOS, 1, 1, 0, byte(near), 0, 0)
	s := newScan(int32(maxval), int32(near))
	s.w.out = out
	// Rows hold reconstructed values, with one more sample at either end (A.2.1).
	above, row := make([]int32, cols+2), make([]int32, cols+2)
	for y := range rows {
		above[cols+1] = above[cols]
		row[0] = above[1]
		for x, v := range pix[y*cols : (y+1)*cols] {
			row[x+1] = int32(v)
		}
		s.line(row, above)
		above, row = row, above
	}
	return binary.BigEndian.AppendUint16(s.w.flush(), markerEOI), nil
}

func appendSegment(out []byte, marker uint16, params ...byte) []byte {
	out = binary.BigEndian.AppendUint16(out, marker)
	out = binary.BigEndian.AppendUint16(out, uint16(len(params)+2))
	return append(out, params...)
}

// scan is the state of the coder (A.2).
type scan struct {
	w                       bitWriter
	maxval, near, rng, step int32 // step is 2·NEAR + 1
	qbpp, limit             uint
	t1, t2, t3              int32
	a, b, c, n              [contexts + 2]int32
	nn                      [2]int32 // negative errors of run interruption
	runIndex                int
}

func newScan(maxval, near int32) *scan {
	s := &scan{maxval: maxval, near: near, step: 2*near + 1}
	s.rng = (maxval+2*near)/s.step + 1
	s.qbpp = uint(bits.Len32(uint32(s.rng - 1)))
	bpp := uint(max(2, bits.Len32(uint32(maxval))))
	s.limit = 2 * (bpp + max(8, bpp))
	s.t1, s.t2, s.t3 = thresholds(maxval, near)
	for i := range s.a {
		s.a[i] = max(2, (s.rng+32)/64)
		s.n[i] = 1
	}
	return s
}

// thresholds returns the default T1, T2 and T3 (C.2.4.1.1.1).
func thresholds(maxval, near int32) (t1, t2, t3 int32) {
	const basic1, basic2, basic3 = 3, 7, 21
	clamp := func(i, j int32) int32 {
		if i > maxval || i < j {
			return j
		}
		return i
	}
	if maxval >= 128 {
		factor := (min(maxval, 4095) + 128) / 256
		t1 = clamp(factor*(basic1-2)+2+3*near, near+1)
		t2 = clamp(factor*(basic2-3)+3+5*near, t1)
		t3 = clamp(factor*(basic3-4)+4+7*near, t2)
		return t1, t2, t3
	}
	factor := 256 / (maxval + 1)
	t1 = clamp(max(2, basic1/factor+3*near), near+1)
	t2 = clamp(max(3, basic2/factor+5*near), t1)
	t3 = clamp(max(4, basic3/factor+7*near), t2)
	return t1, t2, t3
}

// line codes one row and leaves its reconstructed values in row. Both rows
// start one sample left of the picture.
func (s *scan) line(row, above []int32) {
	cols := len(row) - 2
	for x := 1; x <= cols; {
		ra, rb, rc, rd := row[x-1], above[x], above[x-1], above[x+1]
		d1, d2, d3 := rd-rb, rb-rc, rc-ra
		if abs(d1) <= s.near && abs(d2) <= s.near && abs(d3) <= s.near {
			x += s.run(row[:cols+1], above, x)
			continue
		}
		q := 81*s.quantize(d1) + 9*s.quantize(d2) + s.quantize(d3) // A.3.4
		row[x] = s.regular(q, row[x], predict(ra, rb, rc))
		x++
	}
}

// quantize is A.3.3.
func (s *scan) quantize(d int32) int32 {
	m := abs(d)
	var q int32
	switch {
	case m >= s.t3:
		q = 4
	case m >= s.t2:
		q = 3
	case m >= s.t1:
		q = 2
	case m > s.near:
		q = 1
	}
	if d < 0 {
		return -q
	}
	return q
}

// predict is the edge-detecting predictor (A.4.1).
func predict(ra, rb, rc int32) int32 {
	switch {
	case rc >= max(ra, rb):
		return min(ra, rb)
	case rc <= min(ra, rb):
		return max(ra, rb)
	}
	return ra + rb - rc
}

// regular codes the sample ix in context q and returns its reconstructed value
// (A.4 to A.6).
func (s *scan) regular(q, ix, px int32) int32 {
	sign := int32(1)
	if q < 0 {
		q, sign = -q, -1
	}
	px = min(max(px+sign*s.c[q], 0), s.maxval)
	errval, rx := s.residual(sign*(ix-px), px, sign)

	k := s.golombOrder(s.a[q], s.n[q])
	merrval := 2 * errval
	if errval < 0 {
		merrval = -2*errval - 1
	}
	if s.near == 0 && k == 0 && 2*s.b[q] <= -s.n[q] { // A.5.2
		merrval ^= 1
	}
	s.golomb(uint32(merrval), k, s.limit)

	s.b[q] += errval * s.step // A.6.1
	s.a[q] += abs(errval)
	if s.n[q] == reset {
		s.a[q] >>= 1
		s.b[q] >>= 1
		s.n[q] >>= 1
	}
	s.n[q]++
	if s.b[q] <= -s.n[q] { // A.6.2
		s.b[q] = max(s.b[q]+s.n[q], -s.n[q]+1)
		s.c[q] = max(s.c[q]-1, minC)
	} else if s.b[q] > 0 {
		s.b[q] = min(s.b[q]-s.n[q], 0)
		s.c[q] = min(s.c[q]+1, maxC)
	}
	return rx
}

// residual quantises a prediction error, returns the reconstructed sample that
// it gives, and reduces the error modulo RANGE (A.4.4, A.4.5).
func (s *scan) residual(errval, px, sign int32) (reduced, rx int32) {
	if s.near > 0 {
		if errval > 0 {
			errval = (s.near + errval) / s.step
		} else {
			errval = -(s.near - errval) / s.step
		}
	}
	rx = min(max(px+sign*errval*s.step, 0), s.maxval)
	if errval < 0 {
		errval += s.rng
	}
	if errval >= (s.rng+1)/2 {
		errval -= s.rng
	}
	return errval, rx
}

// golombOrder is A.5.1.
func (s *scan) golombOrder(a, n int32) uint {
	k := uint(0)
	for n<<k < a {
		k++
	}
	return k
}

// golomb appends the limited-length Golomb code LG(k, limit) of v (A.5.3).
func (s *scan) golomb(v uint32, k, limit uint) {
	if high := uint(v >> k); high < limit-s.qbpp-1 {
		s.w.zeros(high)
		s.w.put(1<<k|v&(1<<k-1), k+1)
		return
	}
	s.w.zeros(limit - s.qbpp - 1)
	s.w.put(1<<s.qbpp|(v-1)&(1<<s.qbpp-1), s.qbpp+1)
}

// run codes the run that starts at x and the sample that interrupts it, and
// returns how many samples that makes (A.7). row ends with the picture.
func (s *scan) run(row, above []int32, x int) int {
	ra := row[x-1]
	n := 0
	for x+n < len(row) && abs(row[x+n]-ra) <= s.near {
		row[x+n] = ra
		n++
	}
	left := n
	for left >= 1<<runOrder[s.runIndex] { // A.7.1.2
		s.w.put(1, 1)
		left -= 1 << runOrder[s.runIndex]
		s.runIndex = min(s.runIndex+1, len(runOrder)-1)
	}
	if x+n == len(row) {
		if left > 0 {
			s.w.put(1, 1)
		}
		return n
	}
	order := runOrder[s.runIndex]
	s.w.put(uint32(left), order+1) // a 0 and the rest of the run
	row[x+n] = s.interruption(row[x+n], ra, above[x+n], s.limit-order-1)
	s.runIndex = max(s.runIndex-1, 0)
	return n + 1
}

// interruption codes the sample ix that ends a run and returns its
// reconstructed value (A.7.2).
func (s *scan) interruption(ix, ra, rb int32, limit uint) int32 {
	var riType, px, sign int32 = 0, rb, 1
	if abs(ra-rb) <= s.near {
		riType, px = 1, ra
	} else if ra > rb {
		sign = -1
	}
	errval, rx := s.residual(sign*(ix-px), px, sign)

	q := contexts + riType
	temp := s.a[q]
	if riType == 1 {
		temp += s.n[q] >> 1
	}
	k := s.golombOrder(temp, s.n[q])
	nn := &s.nn[riType]
	var mapped int32 // A.7.2.1
	if k == 0 && errval > 0 && 2**nn < s.n[q] || errval < 0 && (2**nn >= s.n[q] || k != 0) {
		mapped = 1
	}
	emerrval := 2*abs(errval) - riType - mapped
	s.golomb(uint32(emerrval), k, limit)

	if errval < 0 { // A.7.2.2
		*nn++
	}
	s.a[q] += (emerrval + 1 - riType) >> 1
	if s.n[q] == reset {
		s.a[q] >>= 1
		s.n[q] >>= 1
		*nn >>= 1
	}
	s.n[q]++
	return rx
}

func abs(v int32) int32 {
	if v < 0 {
		return -v
	}
	return v
}

// bitWriter appends bits, most significant first; after a byte 0xFF it puts a
// 0 bit at the top of the next (A.1).
type bitWriter struct {
	out []byte
	acc uint64
	n   uint // bits held in acc
	ff  bool // the last byte was 0xFF
}

// put appends the low n bits of v, n at most 32.
func (w *bitWriter) put(v uint32, n uint) {
	w.acc = w.acc<<n | uint64(v)
	w.n += n
	for {
		take := uint(8)
		if w.ff {
			take = 7
		}
		if w.n < take {
			return
		}
		w.n -= take
		b := byte(w.acc>>w.n) & byte(1<<take-1)
		w.out = append(w.out, b)
		w.ff = b == 0xFF
	}
}

func (w *bitWriter) zeros(n uint) {
	for ; n > 32; n -= 32 {
		w.put(0, 32)
	}
	w.put(0, n)
}

// flush pads the last byte with 0s and returns all bytes. A byte 0xFF is never
// the last, so that no marker starts early.
func (w *bitWriter) flush() []byte {
	if w.n > 0 || w.ff {
		w.put(0, 8)
		w.n = 0
	}
	return w.out
}
