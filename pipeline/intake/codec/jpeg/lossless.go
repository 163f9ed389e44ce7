package jpeg

import (
	"fmt"

	"shaftgauge/pipeline/intake/codec"
)

// DecodeLossless decodes a lossless Huffman codestream (T.81 annex H) into dst,
// which holds Rows·Cols·Samples words. src is used up: its bytes change.
//
// Errors: damage, data missing; codec.ErrUnsupported for subsampled or separate
// components and for restart intervals that are not whole rows.
func DecodeLossless(dst []uint16, src []byte) error {
	f, err := parse(src, false)
	if err != nil {
		return err
	}
	if f.process != Lossless || f.Bits < 2 || f.Bits > 16 || len(dst) != f.Words() {
		return fmt.Errorf("jpeg: no lossless frame of %d samples", len(dst))
	}
	if f.sampled || f.Samples > 4 {
		return fmt.Errorf("jpeg: lossless with subsampled components: %w", codec.ErrUnsupported)
	}
	comps, par, err := f.components(false)
	if err != nil {
		return err
	}
	predictor, shift := int(par[0]), uint(par[2]&15)
	if predictor < 1 || predictor > 7 || int(shift) >= f.Bits {
		return fmt.Errorf("jpeg: predictor %d, point transform %d", predictor, shift)
	}
	if f.restart%f.Cols != 0 {
		return fmt.Errorf("jpeg: restart inside a row: %w", codec.ErrUnsupported)
	}
	l := lossless{width: f.Cols * f.Samples, step: f.Samples, comps: comps, predictor: predictor,
		origin: 1 << (f.Bits - int(shift) - 1)}
	every := f.Rows
	if f.restart > 0 {
		every = f.restart / f.Cols
	}
	in := segments{rest: f.entropy}
	for y := range f.Rows {
		var above []uint16
		if y%every == 0 {
			l.in = reader{data: in.next()}
		} else {
			above = dst[(y-1)*l.width : y*l.width]
		}
		row := dst[y*l.width : (y+1)*l.width]
		if !l.row(row, above) || l.in.overrun() {
			return fmt.Errorf("jpeg: damaged or cut off at row %d of %d", y, f.Rows)
		}
	}
	if shift > 0 {
		for i := range dst {
			dst[i] <<= shift
		}
	}
	return nil
}

type lossless struct {
	in        reader
	width     int // samples of a row
	step      int // components
	comps     []component
	predictor int
	origin    uint16 // prediction of the first sample, H.1.2.1
}

// row decodes one row. above is nil for the first row after a start or restart,
// which is predicted from the left alone; the first pixel of every other row is
// predicted from above.
func (l *lossless) row(row, above []uint16) bool {
	for c := range l.step {
		d, ok := l.in.difference(l.comps[c].dc)
		if !ok {
			return false
		}
		if above == nil {
			row[c] = l.origin + d
		} else {
			row[c] = above[c] + d
		}
	}
	switch {
	case l.step == 1 && (above == nil || l.predictor == 1):
		return l.in.leftRow(row, l.comps[0].dc)
	case above == nil:
		return l.rest(row, row, 1)
	default:
		return l.rest(row, above, l.predictor)
	}
}

// leftRow decodes the rest of a row of one component with predictor 1, by far
// the commonest.
func (r *reader) leftRow(row []uint16, h *huffman) bool {
	in := *r
	left := row[0]
	for x := 1; x < len(row); x++ {
		if in.n < 32 {
			in.fill()
		}
		e := uint64(h.look[in.acc>>(64-lookBits)])
		size, length := e>>8, e&0xFF
		if length == 0 || size > 15 {
			*r = in
			d, ok := r.difference(h)
			if !ok {
				return false
			}
			in = *r
			left += d
		} else {
			left += uint16(in.extend(length, size))
		}
		row[x] = left
	}
	*r = in
	return true
}

// rest decodes the pixels of a row after the first with any predictor (H.1.2,
// table H.1).
func (l *lossless) rest(row, above []uint16, predictor int) bool {
	for x := l.step; x < len(row); x++ {
		d, ok := l.in.difference(l.comps[x%l.step].dc)
		if !ok {
			return false
		}
		a, b, c := int32(row[x-l.step]), int32(above[x]), int32(above[x-l.step])
		var p int32
		switch predictor {
		case 1:
			p = a
		case 2:
			p = b
		case 3:
			p = c
		case 4:
			p = a + b - c
		case 5:
			p = a + (b-c)>>1
		case 6:
			p = b + (a-c)>>1
		case 7:
			p = (a + b) >> 1
		}
		row[x] = uint16(p) + d
	}
	return true
}

// difference decodes one difference modulo 2^16; category 16 stands for 32768
// and has no extra bits (H.1.2.2).
func (r *reader) difference(h *huffman) (uint16, bool) {
	v, size, ok := r.take(h)
	if ok {
		return uint16(v), true
	}
	if size != 16 {
		return 0, false
	}
	length := uint64(h.look[r.acc>>(64-lookBits)] & 0xFF)
	if length == 0 {
		_, length = h.long(r.acc >> 48)
	}
	r.acc <<= length
	r.n -= uint(length)
	return 32768, true
}
