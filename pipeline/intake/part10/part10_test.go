package part10_test

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/intake/part10"
)

// short is an explicit little-endian element with a 16-bit length (PS3.5 7.1.2).
func short(t tag.Tag, vr, value string) []byte {
	out := binary.LittleEndian.AppendUint16(nil, t.Group)
	out = append(binary.LittleEndian.AppendUint16(out, t.Element), vr...)
	return append(binary.LittleEndian.AppendUint16(out, uint16(len(value))), value...)
}

// long is one with a 32-bit length.
func long(t tag.Tag, vr string, length uint32, value []byte) []byte {
	out := binary.LittleEndian.AppendUint16(nil, t.Group)
	out = append(append(binary.LittleEndian.AppendUint16(out, t.Element), vr...), 0, 0)
	return append(binary.LittleEndian.AppendUint32(out, length), value...)
}

// implicit is an implicit element or an item (PS3.5 7.1.3, 7.5).
func implicit(t tag.Tag, length uint32, value []byte) []byte {
	out := binary.LittleEndian.AppendUint16(nil, t.Group)
	out = binary.LittleEndian.AppendUint16(out, t.Element)
	return append(binary.LittleEndian.AppendUint32(out, length), value...)
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// withMeta puts preamble and transfer syntax before a data set.
func withMeta(uid string, set []byte) []byte {
	if len(uid)%2 == 1 {
		uid += "\x00"
	}
	return join(make([]byte, 128), []byte("DICM"), short(tag.TransferSyntaxUID, "UI", uid), set)
}

func open(data []byte) (*part10.File, error) {
	return part10.Open(bytes.NewReader(data), int64(len(data)), 1<<20)
}

const (
	explicitLE = "1.2.840.10008.1.2.1"
	implicitLE = "1.2.840.10008.1.2"
	deflated   = "1.2.840.10008.1.2.1.99"
	undefined  = math.MaxUint32
)

var (
	item    = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	itemEnd = tag.Tag{Group: 0xFFFE, Element: 0xE00D}
	seqEnd  = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
	private = tag.Tag{Group: 0x0019, Element: 0x1001}
)

func TestRecognise(t *testing.T) {
	for _, c := range []struct {
		name string
		head []byte
		want bool
	}{
		{"preamble", withMeta(explicitLE, nil), true},
		{"preamble that looks like TIFF", append([]byte("II*\x00"), withMeta(explicitLE, nil)[4:]...), true},
		{"no preamble, explicit", short(tag.SOPClassUID, "UI", "1.2.3.4"), true},
		{"no preamble, implicit", implicit(tag.SpecificCharacterSet, 10, []byte("ISO_IR 100")), true},
		{"no preamble, big endian", []byte{0, 8, 0, 5, 'C', 'S', 0, 2, 'X', ' '}, true},
		{"wrong representation", short(tag.SOPClassUID, "US", "1.2.3.4"), false},
		{"text", []byte("path,patient,side,view,spacing and so on"), false},
		{"zeros", make([]byte, 200), false},
		{"short", []byte{8, 0, 5}, false},
		{"empty", nil, false},
	} {
		if got := part10.Recognise(c.head); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// TestValues reads every kind of value the reader uses, in three shapes of file.
func TestValues(t *testing.T) {
	inner := short(tag.CodeValue, "SH", "24028007")
	set := join(
		short(tag.SOPClassUID, "UI", "1.2.3\x00"),
		long(tag.AnatomicRegionSequence, "SQ", undefined, join(
			implicit(item, undefined, join(inner, implicit(itemEnd, 0, nil))),
			implicit(item, uint32(len(inner)), inner),
			implicit(seqEnd, 0, nil))),
		long(private, "SQ", undefined, join(implicit(item, 0, nil), implicit(seqEnd, 0, nil))),
		short(tag.ImagerPixelSpacing, "DS", `0.15\ 1,2`),
		short(tag.PatientOrientation, "CS", `L\F `),
		short(tag.Rows, "US", "\x34\x12"),
		short(tag.SmallestImagePixelValue, "SS", "\xFE\xFF"),
	)
	var packed bytes.Buffer
	z, _ := flate.NewWriter(&packed, 6)
	z.Write(set)
	z.Close()
	for name, data := range map[string][]byte{
		"file":        withMeta(explicitLE, set),
		"no preamble": set,
		"deflated":    withMeta(deflated, packed.Bytes()),
		"misnamed":    withMeta(implicitLE, set),
	} {
		f, err := open(data)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		d := f.Data
		if got := d.Text(tag.SOPClassUID); got != "1.2.3" {
			t.Errorf("%s: UID %q", name, got)
		}
		if x := d.Numbers(tag.ImagerPixelSpacing); len(x) != 2 || x[0] != 0.15 || !math.IsNaN(x[1]) {
			t.Errorf("%s: decimal strings %v", name, x)
		}
		if s := d.Texts(tag.PatientOrientation); len(s) != 2 || s[1] != "F" {
			t.Errorf("%s: texts %q", name, s)
		}
		if v, ok := d.Int(tag.Rows); !ok || v != 0x1234 {
			t.Errorf("%s: unsigned %d", name, v)
		}
		if v, ok := d.Int(tag.SmallestImagePixelValue); !ok || v != -2 {
			t.Errorf("%s: signed %d", name, v)
		}
		if _, ok := d.Int(tag.Columns); ok || d.Has(tag.Columns) {
			t.Errorf("%s: an absent element has a value", name)
		}
		items := d.Items(tag.AnatomicRegionSequence)
		if len(items) != 2 || items[0].Text(tag.CodeValue) != "24028007" || items[1].Text(tag.CodeValue) != "24028007" {
			t.Errorf("%s: items %v", name, items)
		}
		if f.Pixels != nil || f.Err() != nil {
			t.Errorf("%s: pixels %v, error %v", name, f.Pixels, f.Err())
		}
	}
}

// TestUnknownSequence: a sequence passed on as UN with undefined length is
// implicit little endian inside (PS3.5 6.2.2).
func TestUnknownSequence(t *testing.T) {
	f, err := open(withMeta(explicitLE, join(
		long(tag.AnatomicRegionSequence, "UN", undefined, join(
			implicit(item, undefined, join(implicit(tag.CodeValue, 4, []byte("1234")), implicit(itemEnd, 0, nil))),
			implicit(seqEnd, 0, nil))),
		short(tag.Rows, "US", "\x05\x00"))))
	if err != nil {
		t.Fatal(err)
	}
	if items := f.Data.Items(tag.AnatomicRegionSequence); len(items) != 1 || items[0].Text(tag.CodeValue) != "1234" {
		t.Errorf("items %v, %v", items, f.Err())
	}
	if v, _ := f.Data.Int(tag.Rows); v != 5 {
		t.Errorf("rows %d", v)
	}
}

// TestFragments: encapsulated pixel data after PS3.5 table A.4-2.
func TestFragments(t *testing.T) {
	pixels := func(parts ...[]byte) []byte {
		return withMeta("1.2.840.10008.1.2.4.70", long(tag.PixelData, "OB", undefined, join(parts...)))
	}
	f, err := open(pixels(
		implicit(item, 8, []byte{0, 0, 0, 0, 12, 0, 0, 0}),
		implicit(item, 4, []byte("abcd")), implicit(item, 2, []byte("ef")), implicit(seqEnd, 0, nil)))
	if err != nil {
		t.Fatal(err)
	}
	p := f.Pixels
	if len(p.Offsets) != 2 || p.Offsets[1] != 12 || len(p.Fragments) != 2 || p.ItemOffset(1) != 12 || p.Fragments[1].N != 2 {
		t.Errorf("%+v", p)
	}
	for name, data := range map[string][]byte{
		"no end":              pixels(implicit(item, 0, nil), implicit(item, 4, []byte("abcd"))),
		"no table":            pixels(implicit(seqEnd, 0, nil)),
		"table cut":           pixels(implicit(item, 3, []byte{0, 0, 0}), implicit(seqEnd, 0, nil)),
		"too long a fragment": pixels(implicit(item, 0, nil), implicit(item, 400, []byte("abcd")), implicit(seqEnd, 0, nil)),
		"something else":      pixels(implicit(item, 0, nil), implicit(itemEnd, 0, nil), implicit(seqEnd, 0, nil)),
	} {
		if _, err := open(data); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestBounds(t *testing.T) {
	var many []byte
	for range 1 << 18 {
		many = append(many, implicit(private, 0, nil)...)
	}
	if _, err := open(withMeta(implicitLE, many)); err == nil {
		t.Error("a quarter of a million elements: no error")
	}
	var deep []byte
	for range 100 {
		deep = append(deep, implicit(tag.AnatomicRegionSequence, undefined, implicit(item, undefined, nil))...)
	}
	if _, err := open(withMeta(implicitLE, deep)); err == nil {
		t.Error("a hundred levels: no error")
	}
	var bomb bytes.Buffer
	z, _ := flate.NewWriter(&bomb, 9)
	z.Write(make([]byte, 4<<20))
	z.Close()
	if _, err := open(withMeta(deflated, bomb.Bytes())); !errors.Is(err, part10.ErrTooLarge) {
		t.Errorf("bomb: %v", err)
	}
	if _, err := open(withMeta(deflated, bomb.Bytes()[:bomb.Len()/8])); err == nil {
		t.Error("deflated data cut off: no error")
	}
	var syntax *part10.SyntaxError
	if _, err := open(withMeta("1.2.840.10008.1.2.4.102", nil)); !errors.As(err, &syntax) {
		t.Errorf("MPEG: %v", err)
	}
	if _, err := open(withMeta(explicitLE, short(tag.Rows, "Z9", "ab"))); err == nil {
		t.Error("unknown value representation: no error")
	}
	// A sequence that breaks only inside is passed over when the file is walked
	// and reported when it is read.
	f, err := open(withMeta(explicitLE, long(tag.AnatomicRegionSequence, "SQ", 8, implicit(itemEnd, 0, nil))))
	if err != nil {
		t.Fatal(err)
	}
	if f.Data.Items(tag.AnatomicRegionSequence) != nil || f.Err() == nil {
		t.Error("broken sequence: no error")
	}
}
