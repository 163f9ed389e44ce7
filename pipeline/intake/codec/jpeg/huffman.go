package jpeg

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// lookBits is the length of code that one look-up resolves.
const lookBits = 12

// huffman is a decoding table. A code of up to lookBits bits is found in look
// by the next lookBits bits: value<<8 | length, 0 where the code is longer.
type huffman struct {
	look   [1 << lookBits]uint16
	last   [17]int32 // by length: first code past those of that length, left-aligned to 16 bits
	offset [17]int32 // by length: index of the first value less its code
	values []byte
}

// newHuffman builds the table of T.81 annex C from the number of codes of each
// length 1 … 16 and their values.
func newHuffman(counts, values []byte) (*huffman, error) {
	h := &huffman{values: values}
	code, k := int32(0), int32(0)
	for length := int32(1); length <= 16; length++ {
		n := int32(counts[length-1])
		h.offset[length] = k - code
		if code+n > 1<<length {
			return nil, fmt.Errorf("jpeg: Huffman codes of length %d overflow", length)
		}
		for range n {
			if length <= lookBits {
				from := code << (lookBits - length)
				for i := range int32(1) << (lookBits - length) {
					h.look[from+i] = uint16(values[k])<<8 | uint16(length)
				}
			}
			code, k = code+1, k+1
		}
		h.last[length] = code << (16 - length)
		code <<= 1
	}
	return h, nil
}

// long decodes a code longer than lookBits from the next 16 bits; length is 0
// when they hold no code.
func (h *huffman) long(next16 uint64) (value, length uint64) {
	c := int32(next16)
	for n := lookBits + 1; n <= 16; n++ {
		if c < h.last[n] {
			i := c>>(16-n) + h.offset[n]
			if i < 0 || int(i) >= len(h.values) {
				return 0, 0
			}
			return uint64(h.values[i]), uint64(n)
		}
	}
	return 0, 0
}

// reader hands out the bits of one entropy-coded segment, stuffing removed.
// acc holds them from its top; n of them are valid. Past the end it hands out
// zeros, and overrun tells.
type reader struct {
	data []byte
	pos  int
	acc  uint64
	n    uint
}

// fill makes at least 56 bits valid.
func (r *reader) fill() {
	if r.pos+8 <= len(r.data) {
		r.acc |= binary.BigEndian.Uint64(r.data[r.pos:]) >> r.n
		k := (63 - r.n) >> 3
		r.pos += int(k)
		r.n += k * 8
		return
	}
	for r.n <= 56 {
		if r.pos < len(r.data) {
			r.acc |= uint64(r.data[r.pos]) << (56 - r.n)
		}
		r.pos++
		r.n += 8
	}
}

// overrun says that more bits were taken than the segment has.
func (r *reader) overrun() bool { return r.pos*8-int(r.n) > len(r.data)*8 }

// take decodes one value of h and the value's number of extra bits as T.81
// F.2.2.1 extends them; size is that value. ok is false when the bits hold no
// code, or one that asks for more than 16 bits.
func (r *reader) take(h *huffman) (v int32, size uint64, ok bool) {
	if r.n < 32 {
		r.fill()
	}
	e := uint64(h.look[r.acc>>(64-lookBits)])
	size, length := e>>8, e&0xFF
	if length == 0 {
		if size, length = h.long(r.acc >> 48); length == 0 {
			return 0, 0, false
		}
	}
	if size > 15 {
		return 0, size, false
	}
	return r.extend(length, size), size, true
}

// extend drops length bits and takes size ≤ 15 more as a signed value.
func (r *reader) extend(length, size uint64) int32 {
	x := r.acc << (length & 63)
	sign := int32(int64(x) >> 63) // -1 when the first bit is 1
	v := int32(x >> 1 >> ((63 - size) & 63))
	r.acc = x << (size & 63)
	r.n -= uint(length + size)
	return v + (^sign & (1 - int32(1)<<(size&31)))
}

// segments cuts entropy-coded data at its restart markers and removes byte
// stuffing, in place.
type segments struct{ rest []byte }

// next returns the next segment, nil after the last.
func (s *segments) next() []byte {
	b := s.rest
	if len(b) == 0 {
		return nil
	}
	end := 0 // of the segment without stuffing
	for at := 0; ; {
		i := bytes.IndexByte(b[at:], 0xFF)
		if i < 0 { // cut off: the reader will overrun
			end += copy(b[end:], b[at:])
			s.rest = nil
			return b[:end:end]
		}
		if end != at {
			copy(b[end:], b[at:at+i])
		}
		end, at = end+i, at+i+1
		for at < len(b) && b[at] == 0xFF {
			at++
		}
		switch {
		case at < len(b) && b[at] == 0:
			b[end] = 0xFF
			end, at = end+1, at+1
		case at < len(b) && b[at] >= 0xD0 && b[at] <= 0xD7:
			s.rest = b[at+1:]
			return b[:end:end]
		default:
			s.rest = nil
			return b[:end:end]
		}
	}
}
