// Package part10 walks DICOM files (PS3.10) without trusting them.
//
// [Open] recognises a file by its content, notes where every element of the
// outer data set lies and where the pixel data are, and reads nothing else.
// Every length is checked against the bytes that are left before it is used;
// nesting, the number of elements, the number of fragments and the size of an
// inflated data set are bounded. Values are read on demand by the accessors of
// [Dataset]. Nothing here decodes pixels, and nothing here links C.
//
// Names and value representations come from the dictionary of
// github.com/suyashkumar/dicom; the walking is done here because that library
// allocates what a forged length asks for.
package part10

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Bounds of one file. A film's header has some hundred elements; the largest
// seen in the wild (private vendor trees) have a few ten thousand.
const (
	maxElements  = 1 << 17
	maxDepth     = 24
	maxFragments = 1 << 17
	maxValue     = 1 << 20 // bytes of one value that an accessor reads
)

// ErrTooLarge says that a deflated data set inflates past the caller's limit.
var ErrTooLarge = errors.New("part10: inflated data set is larger than allowed")

// File is a DICOM file whose elements have been located.
type File struct {
	Syntax Syntax
	Meta   *Dataset // group 0002, empty when the file has none
	Data   *Dataset
	Pixels *Pixels // nil when the file has no pixel data
}

// Pixels says where the Pixel Data element (7FE0,0010) lies.
type Pixels struct {
	Source    io.ReaderAt
	VR        string // OB or OW; empty in implicit VR
	Native    Range  // bytes of native (not encapsulated) pixel data
	Offsets   []uint32
	Fragments []Range // of encapsulated pixel data, without the offset table
	first     int64   // where the first fragment's item begins
}

// Range is a piece of Source.
type Range struct{ Off, N int64 }

// Encapsulated says that the pixel data come in fragments.
func (p *Pixels) Encapsulated() bool { return p.Fragments != nil }

// ItemOffset is the place of fragment i's item counted as the offset tables
// count it: from the first byte of the first item after the basic offset table
// (PS3.5 A.4).
func (p *Pixels) ItemOffset(i int) int64 { return p.Fragments[i].Off - 8 - p.first }

// Open locates the elements of the DICOM file in r, which holds size bytes.
// A deflated data set is inflated into memory, up to maxInflated bytes.
//
// Errors: the bytes are no DICOM file, or its structure is broken or beyond the
// bounds of this package; [ErrTooLarge].
func Open(r io.ReaderAt, size, maxInflated int64) (*File, error) {
	w := &walker{src: r, size: size}
	head, err := w.bytes(0, min(size, 140))
	if err != nil {
		return nil, err
	}
	start, ok := recognise(head)
	if !ok {
		return nil, errors.New("part10: not a DICOM file")
	}
	f := &File{Meta: &Dataset{w: w}}
	body, err := f.readMeta(w, start)
	if err != nil {
		return nil, err
	}
	if uid := f.Meta.Text(tag.TransferSyntaxUID); uid != "" {
		if f.Syntax, ok = syntaxOf(uid); !ok {
			f.Syntax.UID = uid
			return nil, &SyntaxError{UID: uid}
		}
	} else {
		f.Syntax = guessSyntax(w, body)
	}
	if f.Syntax.Deflated {
		data, err := inflate(io.NewSectionReader(r, body, size-body), maxInflated)
		if err != nil {
			return nil, err
		}
		w = &walker{src: data, size: data.size}
		body = 0
	} else if !f.Syntax.BigEndian && f.Syntax.Implicit == w.explicitAt(body) {
		// A header that names the wrong one of the two little-endian syntaxes:
		// the elements themselves leave no doubt.
		f.Syntax.Implicit = !f.Syntax.Implicit
	}
	enc := encoding{implicit: f.Syntax.Implicit, order: binary.LittleEndian}
	if f.Syntax.BigEndian {
		enc.order = binary.BigEndian
	}
	f.Data, f.Pixels, err = w.outer(body, enc)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// readMeta reads group 0002, always explicit little endian (PS3.10 7.1), and
// returns where the data set starts.
func (f *File) readMeta(w *walker, off int64) (int64, error) {
	enc := encoding{order: binary.LittleEndian}
	for off+8 <= w.size {
		head, err := w.bytes(off, 2)
		if err != nil {
			return 0, err
		}
		if enc.order.Uint16(head) != 0x0002 {
			break
		}
		el, err := w.element(off, w.size, enc, 0)
		if err != nil {
			return 0, err
		}
		f.Meta.add(el)
		off = el.end
	}
	return off, nil
}

// Recognise says whether head, the first 140 or more bytes of a file (fewer
// where the file is shorter), look like a DICOM file: the preamble and "DICM",
// or a data set without preamble whose first element is of group 0002 or 0008.
func Recognise(head []byte) bool {
	_, ok := recognise(head)
	return ok
}

func recognise(head []byte) (start int64, ok bool) {
	if len(head) >= 132 && string(head[128:132]) == "DICM" {
		return 132, true
	}
	if len(head) < 8 {
		return 0, false
	}
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		t := tag.Tag{Group: order.Uint16(head), Element: order.Uint16(head[2:])}
		if t.Group != 0x0002 && t.Group != 0x0008 {
			continue
		}
		info, err := tag.Find(t)
		if err != nil {
			continue
		}
		if vr := string(head[4:6]); knownVR[vr] {
			return 0, vr == info.VRs[0]
		}
		if n := binary.LittleEndian.Uint32(head[4:]); order == binary.LittleEndian && t.Group == 0x0008 && n <= 1024 && n%2 == 0 {
			return 0, true
		}
	}
	return 0, false
}

// SyntaxError says that the file is in a transfer syntax that this package does
// not know.
type SyntaxError struct{ UID string }

func (e *SyntaxError) Error() string { return fmt.Sprintf("part10: transfer syntax %q", e.UID) }
