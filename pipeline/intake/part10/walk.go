package part10

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"
)

const undefined = 0xFFFFFFFF

var (
	itemTag           = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	itemDelimiter     = tag.Tag{Group: 0xFFFE, Element: 0xE00D}
	sequenceDelimiter = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
)

// element is one element's place. Its value is src[off:off+n].
type element struct {
	tag       tag.Tag
	vr        string // as written, or the dictionary's in implicit VR and for UN; empty when unknown
	enc       encoding
	off, n    int64
	end       int64 // where the next element begins
	undefined bool  // the value ends with a delimiter
	depth     int
}

// walker reads headers of elements through a small window.
type walker struct {
	src  io.ReaderAt
	size int64

	window []byte
	at     int64 // place of window[0]

	elements int
	err      error // first failure of an accessor
}

// bytes returns n bytes at off, valid until the next call.
func (w *walker) bytes(off, n int64) ([]byte, error) {
	if off < 0 || n < 0 || off > w.size-n {
		return nil, fmt.Errorf("part10: %d bytes wanted at %d, file has %d: %w", n, off, w.size, io.ErrUnexpectedEOF)
	}
	if off < w.at || off+n > w.at+int64(len(w.window)) {
		k := min(max(n, 1<<14), w.size-off)
		if int64(cap(w.window)) < k {
			w.window = make([]byte, k)
		}
		w.window = w.window[:k]
		w.at = off
		if got, err := w.src.ReadAt(w.window, off); int64(got) < n {
			w.window = w.window[:0]
			if err == nil || err == io.EOF {
				err = io.ErrUnexpectedEOF
			}
			return nil, fmt.Errorf("part10: %w", err)
		} else {
			w.window = w.window[:got]
		}
	}
	return w.window[off-w.at:][:n], nil
}

// element reads the element header at off of a data set that ends at end, and
// finds where the element's value ends.
func (w *walker) element(off, end int64, enc encoding, depth int) (element, error) {
	if w.elements++; w.elements > maxElements {
		return element{}, fmt.Errorf("part10: more than %d elements", maxElements)
	}
	if depth > maxDepth {
		return element{}, fmt.Errorf("part10: sequences nested deeper than %d", maxDepth)
	}
	if off+8 > end {
		return element{}, fmt.Errorf("part10: element cut off at %d: %w", off, io.ErrUnexpectedEOF)
	}
	head, err := w.bytes(off, 8)
	if err != nil {
		return element{}, err
	}
	el := element{
		tag:   tag.Tag{Group: enc.order.Uint16(head), Element: enc.order.Uint16(head[2:])},
		enc:   enc,
		off:   off + 8,
		depth: depth,
	}
	length := int64(enc.order.Uint32(head[4:]))
	if !enc.implicit && el.tag.Group != 0xFFFE {
		vr := string(head[4:6])
		if !knownVR[vr] {
			return element{}, fmt.Errorf("part10: %v at %d has value representation %q", el.tag, off, vr)
		}
		el.vr = vr
		if longVR[vr] {
			if off+12 > end {
				return element{}, fmt.Errorf("part10: element cut off at %d: %w", off, io.ErrUnexpectedEOF)
			}
			if head, err = w.bytes(off+8, 4); err != nil {
				return element{}, err
			}
			el.off, length = off+12, int64(enc.order.Uint32(head))
		} else {
			length = int64(enc.order.Uint16(head[6:]))
		}
	}
	if el.vr == "UN" && length == undefined { // PS3.5 6.2.2 note 4
		el.enc = encoding{implicit: true, order: binary.LittleEndian}
	}
	if (el.vr == "" || el.vr == "UN") && el.tag.Group != 0xFFFE {
		el.vr = dictionaryVR(el.tag)
	}
	if length != undefined {
		if length > end-el.off {
			return element{}, fmt.Errorf("part10: %v at %d: %d bytes long, %d left: %w", el.tag, off, length, end-el.off, io.ErrUnexpectedEOF)
		}
		el.n, el.end = length, el.off+length
		return el, nil
	}
	el.undefined = true
	if el.tag.Group == 0xFFFE {
		return el, nil // an item: its data set is walked by the caller
	}
	if el.vr == "OB" || el.vr == "OW" {
		_, el.end, err = w.fragments(el.off, end)
	} else {
		_, el.end, err = w.items(el, end)
	}
	el.n = el.end - el.off
	return el, err
}

// items returns the items of the sequence el, whose value ends before end, and
// where the sequence ends.
func (w *walker) items(el element, end int64) (items []*Dataset, next int64, err error) {
	if !el.undefined {
		end = el.end
	}
	off := el.off
	for el.undefined || off < end {
		it, err := w.element(off, end, el.enc, el.depth+1)
		if err != nil {
			return nil, 0, err
		}
		switch {
		case it.tag == sequenceDelimiter && el.undefined:
			return items, it.end, nil
		case it.tag != itemTag:
			return nil, 0, fmt.Errorf("part10: %v at %d in place of a sequence item", it.tag, off)
		}
		d := &Dataset{w: w}
		if it.undefined {
			off, err = w.dataset(d, it.off, end, el.enc, el.depth+1, true)
		} else {
			off, err = w.dataset(d, it.off, it.end, el.enc, el.depth+1, false)
		}
		if err != nil {
			return nil, 0, err
		}
		items = append(items, d)
	}
	return items, off, nil
}

// dataset walks the elements of one item into d and returns where it ends.
func (w *walker) dataset(d *Dataset, off, end int64, enc encoding, depth int, delimited bool) (int64, error) {
	for delimited || off < end {
		el, err := w.element(off, end, enc, depth)
		if err != nil {
			return 0, err
		}
		if el.tag == itemDelimiter && delimited {
			return el.end, nil
		}
		if el.tag.Group == 0xFFFE {
			return 0, fmt.Errorf("part10: stray %v at %d", el.tag, off)
		}
		d.add(el)
		off = el.end
	}
	return off, nil
}

// outer walks the outer data set up to and including the pixel data; nothing
// that follows them says anything about a film.
func (w *walker) outer(off int64, enc encoding) (*Dataset, *Pixels, error) {
	d := &Dataset{w: w}
	for off < w.size {
		if head, err := w.bytes(off, min(12, w.size-off)); err != nil {
			return nil, nil, err
		} else if p, rest := pixelHeader(head, enc); p != nil {
			p.Source = w.src
			return d, p, w.pixels(p, off+rest.off, rest.n)
		}
		el, err := w.element(off, w.size, enc, 0)
		if err != nil {
			return nil, nil, err
		}
		if el.tag.Group == 0xFFFE {
			return nil, nil, fmt.Errorf("part10: stray %v at %d", el.tag, off)
		}
		d.add(el)
		off = el.end
	}
	return d, nil, nil
}

// pixelHeader recognises the header of the Pixel Data element; rest holds the
// header's size and the value's length.
func pixelHeader(head []byte, enc encoding) (p *Pixels, rest struct{ off, n int64 }) {
	if len(head) < 8 || enc.order.Uint16(head) != tag.PixelData.Group || enc.order.Uint16(head[2:]) != tag.PixelData.Element {
		return nil, rest
	}
	if enc.implicit {
		rest.off, rest.n = 8, int64(enc.order.Uint32(head[4:]))
		return &Pixels{}, rest
	}
	vr := string(head[4:6])
	if len(head) < 12 || !longVR[vr] {
		return nil, rest
	}
	rest.off, rest.n = 12, int64(enc.order.Uint32(head[8:]))
	return &Pixels{VR: vr}, rest
}

func (w *walker) pixels(p *Pixels, off, n int64) error {
	if n != undefined {
		if n > w.size-off {
			return fmt.Errorf("part10: pixel data are %d bytes long, %d left: %w", n, w.size-off, io.ErrUnexpectedEOF)
		}
		p.Native = Range{off, n}
		return nil
	}
	all, _, err := w.fragments(off, w.size)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return errors.New("part10: encapsulated pixel data without an offset table item")
	}
	table := all[0]
	if table.N%4 != 0 || table.N > 4*maxFragments {
		return fmt.Errorf("part10: basic offset table of %d bytes", table.N)
	}
	raw := make([]byte, table.N)
	if _, err := w.src.ReadAt(raw, table.Off); err != nil && table.N > 0 {
		return fmt.Errorf("part10: basic offset table: %w", err)
	}
	for ; len(raw) > 0; raw = raw[4:] {
		p.Offsets = append(p.Offsets, binary.LittleEndian.Uint32(raw))
	}
	p.Fragments = all[1:]
	p.first = table.Off + table.N
	return nil
}

// fragments returns the items of encapsulated data (PS3.5 A.4), always little
// endian, and where they end.
func (w *walker) fragments(off, end int64) (all []Range, next int64, err error) {
	for {
		if off+8 > end {
			return nil, 0, fmt.Errorf("part10: fragments cut off at %d: %w", off, io.ErrUnexpectedEOF)
		}
		head, err := w.bytes(off, 8)
		if err != nil {
			return nil, 0, err
		}
		t := tag.Tag{Group: binary.LittleEndian.Uint16(head), Element: binary.LittleEndian.Uint16(head[2:])}
		n := int64(binary.LittleEndian.Uint32(head[4:]))
		off += 8
		switch {
		case t == sequenceDelimiter:
			return all, off, nil
		case t != itemTag:
			return nil, 0, fmt.Errorf("part10: %v at %d in place of a fragment", t, off-8)
		case n > end-off:
			return nil, 0, fmt.Errorf("part10: fragment at %d is %d bytes long, %d left: %w", off-8, n, end-off, io.ErrUnexpectedEOF)
		case len(all) > maxFragments:
			return nil, 0, fmt.Errorf("part10: more than %d fragments", maxFragments)
		}
		all = append(all, Range{off, n})
		off += n
	}
}
