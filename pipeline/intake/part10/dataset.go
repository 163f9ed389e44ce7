package part10

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Dataset is a data set or a sequence item. An absent element and one without
// a value read the same.
type Dataset struct {
	w        *walker
	elements map[tag.Tag]element
}

// add keeps the first of elements with the same tag.
func (d *Dataset) add(el element) {
	if d.elements == nil {
		d.elements = make(map[tag.Tag]element)
	}
	if _, twice := d.elements[el.tag]; !twice {
		d.elements[el.tag] = el
	}
}

// Err returns the first failure to read a value since the file was opened:
// a broken sequence, or the medium.
func (f *File) Err() error { return f.Data.w.err }

// Has says that t is there and has a value.
func (d *Dataset) Has(t tag.Tag) bool { return d.elements[t].n > 0 }

// Bytes returns the value of t as it stands in the file, nil when absent or
// longer than 1 MiB.
func (d *Dataset) Bytes(t tag.Tag) []byte {
	el, ok := d.elements[t]
	if !ok || el.n == 0 || el.n > maxValue {
		return nil
	}
	b := make([]byte, el.n)
	if n, err := d.w.src.ReadAt(b, el.off); n < len(b) {
		if err == nil || err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		d.w.fail(fmt.Errorf("part10: %v: %w", t, err))
		return nil
	}
	return b
}

func (w *walker) fail(err error) {
	if w.err == nil {
		w.err = err
	}
}

// Text returns the text of t without padding, in the bytes of the file's own
// character set.
func (d *Dataset) Text(t tag.Tag) string {
	return strings.Trim(string(d.Bytes(t)), " \x00")
}

// Texts returns the values of the text element t, each without padding.
func (d *Dataset) Texts(t tag.Tag) []string {
	s := d.Text(t)
	if s == "" {
		return nil
	}
	values := strings.Split(s, `\`)
	for i, v := range values {
		values[i] = strings.Trim(v, " \x00")
	}
	return values
}

// Numbers returns the values of t, text or binary. A text that is no number
// becomes NaN, so that what is wrong is not taken for what is absent. Where the
// dictionary allows US and SS, implicit VR reads as US.
func (d *Dataset) Numbers(t tag.Tag) []float64 {
	el := d.elements[t]
	switch el.vr {
	case "DS", "IS":
		texts := d.Texts(t)
		out := make([]float64, len(texts))
		for i, s := range texts {
			x, err := strconv.ParseFloat(s, 64)
			if err != nil || strings.ContainsAny(s, "xXpP_") {
				x = math.NaN()
			}
			out[i] = x
		}
		return out
	}
	b, o := d.Bytes(t), el.enc.order
	var out []float64
	for {
		switch {
		case el.vr == "US" && len(b) >= 2:
			out, b = append(out, float64(o.Uint16(b))), b[2:]
		case el.vr == "SS" && len(b) >= 2:
			out, b = append(out, float64(int16(o.Uint16(b)))), b[2:]
		case el.vr == "UL" && len(b) >= 4:
			out, b = append(out, float64(o.Uint32(b))), b[4:]
		case el.vr == "SL" && len(b) >= 4:
			out, b = append(out, float64(int32(o.Uint32(b)))), b[4:]
		case el.vr == "FL" && len(b) >= 4:
			out, b = append(out, float64(math.Float32frombits(o.Uint32(b)))), b[4:]
		case el.vr == "FD" && len(b) >= 8:
			out, b = append(out, math.Float64frombits(o.Uint64(b))), b[8:]
		default:
			return out
		}
	}
}

// Int returns the first value of t; ok is false when it is absent or not a
// whole number of at most 31 bits.
func (d *Dataset) Int(t tag.Tag) (v int, ok bool) {
	x := d.Numbers(t)
	if len(x) == 0 || x[0] != math.Trunc(x[0]) || math.Abs(x[0]) > math.MaxInt32 {
		return 0, false
	}
	return int(x[0]), true
}

// Words returns the value of t as 16-bit words in the file's byte order, for
// look-up tables (US or OW).
func (d *Dataset) Words(t tag.Tag) []uint16 {
	b := d.Bytes(t)
	out := make([]uint16, len(b)/2)
	for i := range out {
		out[i] = d.elements[t].enc.order.Uint16(b[2*i:])
	}
	return out
}

// Items returns the items of the sequence t.
func (d *Dataset) Items(t tag.Tag) []*Dataset {
	el, ok := d.elements[t]
	if !ok || el.n == 0 {
		return nil
	}
	items, _, err := d.w.items(el, el.end)
	if err != nil {
		d.w.fail(err)
		return nil
	}
	return items
}

// Uint64s returns the values of the OV element t (extended offset table).
func (d *Dataset) Uint64s(t tag.Tag) []uint64 {
	b := d.Bytes(t)
	out := make([]uint64, len(b)/8)
	for i := range out {
		out[i] = d.elements[t].enc.order.Uint64(b[8*i:])
	}
	return out
}
