package dicomfile

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// element is one data element. Its value is a string (values joined by
// backslashes), []uint16, []uint32, []byte, []dataset (a sequence) or
// fragments (encapsulated pixels).
type element struct {
	tag   tag.Tag
	vr    string
	value any
}

// fragments are the items of encapsulated pixel data, one a frame.
type fragments [][]byte

// dataset is a set of elements; set keeps no order, encoder.dataset sorts.
type dataset []element

// set adds the element of t with the value representation that the standard's
// dictionary gives it; where it gives several, the first.
func (d *dataset) set(t tag.Tag, value any) {
	info, err := tag.Find(t)
	if err != nil {
		panic(fmt.Sprintf("dicomfile: %v is in no dictionary", t))
	}
	*d = append(*d, element{t, info.VRs[0], value})
}

// setString adds t unless s is empty.
func (d *dataset) setString(t tag.Tag, s string) {
	if s != "" {
		d.set(t, s)
	}
}

// setDecimal adds t unless all of v are 0.
func (d *dataset) setDecimal(t tag.Tag, v ...float64) {
	if slices.ContainsFunc(v, func(x float64) bool { return x != 0 }) {
		d.set(t, decimals(v...))
	}
}

// decimals returns the DS value of v. Each has at most 16 characters (PS3.5
// 6.2).
func decimals(v ...float64) string {
	s := make([]string, len(v))
	for i, x := range v {
		s[i] = strconv.FormatFloat(x, 'g', -1, 64)
		for digits := 15; len(s[i]) > 16; digits-- {
			s[i] = strconv.FormatFloat(x, 'g', digits, 64)
		}
	}
	return strings.Join(s, `\`)
}

// encoder writes data sets in one byte order and value representation style.
type encoder struct {
	order interface {
		binary.ByteOrder
		binary.AppendByteOrder
	}
	implicit  bool
	undefined bool // sequences and items end with delimiters instead of stating their length
}

const undefinedLength = 0xFFFFFFFF

var (
	item            = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	itemDelimiter   = tag.Tag{Group: 0xFFFE, Element: 0xE00D}
	sequenceDelimit = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
)

// dataset appends d in order of tags.
func (e encoder) dataset(out []byte, d dataset) []byte {
	sorted := slices.Clone(d)
	slices.SortStableFunc(sorted, func(a, b element) int {
		return cmp.Compare(a.tag.Uint32(), b.tag.Uint32())
	})
	for _, el := range sorted {
		out = e.element(out, el)
	}
	return out
}

func (e encoder) element(out []byte, el element) []byte {
	switch v := el.value.(type) {
	case []dataset:
		return e.sequence(out, el, v)
	case fragments:
		return e.encapsulated(out, el, v)
	case string:
		if len(v)%2 == 1 {
			pad := " "
			if el.vr == "UI" {
				pad = "\x00"
			}
			v += pad
		}
		return append(e.header(out, el, uint32(len(v))), v...)
	case []byte:
		out = append(e.header(out, el, uint32(len(v)+len(v)%2)), v...)
		if len(v)%2 == 1 {
			out = append(out, 0)
		}
		return out
	case []uint16:
		out = slices.Grow(e.header(out, el, uint32(2*len(v))), 2*len(v))
		for _, x := range v {
			out = e.order.AppendUint16(out, x)
		}
		return out
	case []uint32:
		out = e.header(out, el, uint32(4*len(v)))
		for _, x := range v {
			out = e.order.AppendUint32(out, x)
		}
		return out
	}
	panic(fmt.Sprintf("dicomfile: %v holds a %T", el.tag, el.value))
}

// header appends tag, value representation and length (PS3.5 7.1.2, 7.1.3).
func (e encoder) header(out []byte, el element, length uint32) []byte {
	out = e.tag(out, el.tag)
	if e.implicit {
		return e.order.AppendUint32(out, length)
	}
	out = append(out, el.vr...)
	switch el.vr {
	case "OB", "OD", "OF", "OL", "OV", "OW", "SQ", "SV", "UC", "UN", "UR", "UT", "UV":
		return e.order.AppendUint32(append(out, 0, 0), length)
	}
	return e.order.AppendUint16(out, uint16(length))
}

func (e encoder) tag(out []byte, t tag.Tag) []byte {
	return e.order.AppendUint16(e.order.AppendUint16(out, t.Group), t.Element)
}

// mark appends an item or delimiter tag and its length.
func (e encoder) mark(out []byte, t tag.Tag, length uint32) []byte {
	return e.order.AppendUint32(e.tag(out, t), length)
}

// sequence appends a sequence of items (PS3.5 7.5).
func (e encoder) sequence(out []byte, el element, items []dataset) []byte {
	var body []byte
	for _, d := range items {
		content := e.dataset(nil, d)
		if e.undefined {
			body = append(e.mark(body, item, undefinedLength), content...)
			body = e.mark(body, itemDelimiter, 0)
		} else {
			body = append(e.mark(body, item, uint32(len(content))), content...)
		}
	}
	if e.undefined {
		out = append(e.header(out, el, undefinedLength), body...)
		return e.mark(out, sequenceDelimit, 0)
	}
	return append(e.header(out, el, uint32(len(body))), body...)
}

// encapsulated appends pixel data of one fragment a frame behind a Basic
// Offset Table (PS3.5 A.4).
func (e encoder) encapsulated(out []byte, el element, frames fragments) []byte {
	out = e.header(out, el, undefinedLength)
	out = e.mark(out, item, uint32(4*len(frames)))
	at := 0
	for _, f := range frames {
		out = e.order.AppendUint32(out, uint32(at))
		at += 8 + len(f) + len(f)%2
	}
	for _, f := range frames {
		out = append(e.mark(out, item, uint32(len(f)+len(f)%2)), f...)
		if len(f)%2 == 1 {
			out = append(out, 0)
		}
	}
	return e.mark(out, sequenceDelimit, 0)
}
