package part10

import (
	"encoding/binary"
	"maps"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Codec names how pixel data are compressed.
type Codec int

// The ways of compression: Native pixel data are not compressed. JPEG stands
// for the whole family (baseline, extended, lossless, JPEG-LS): their
// codestreams name their own process.
const (
	Native Codec = iota
	RLE
	JPEG
	JPEG2000
)

// Syntax is a transfer syntax (PS3.5 section 10, annex A; UIDs in PS3.6).
type Syntax struct {
	UID       string
	Implicit  bool
	BigEndian bool
	Deflated  bool
	Codec     Codec
	Lossy     bool // may be, by its name
}

func syntaxOf(uid string) (Syntax, bool) {
	s, ok := syntaxes[uid]
	s.UID = uid
	return s, ok
}

var syntaxes = map[string]Syntax{
	"1.2.840.10008.1.2":      {Implicit: true},
	"1.2.840.10008.1.2.1":    {},
	"1.2.840.10008.1.2.1.99": {Deflated: true},
	"1.2.840.10008.1.2.2":    {BigEndian: true},
	"1.2.840.10008.1.2.5":    {Codec: RLE},
	"1.2.840.10008.1.2.4.50": {Codec: JPEG, Lossy: true}, // baseline
	"1.2.840.10008.1.2.4.51": {Codec: JPEG, Lossy: true}, // extended
	"1.2.840.10008.1.2.4.57": {Codec: JPEG},              // lossless, process 14
	"1.2.840.10008.1.2.4.70": {Codec: JPEG},              // lossless, process 14 selection value 1
	"1.2.840.10008.1.2.4.80": {Codec: JPEG},              // JPEG-LS lossless
	"1.2.840.10008.1.2.4.81": {Codec: JPEG, Lossy: true}, // JPEG-LS near-lossless
	"1.2.840.10008.1.2.4.90": {Codec: JPEG2000},          // lossless only
	"1.2.840.10008.1.2.4.91": {Codec: JPEG2000, Lossy: true},
}

// guessSyntax looks at the first element of a data set that names no transfer
// syntax.
func guessSyntax(w *walker, off int64) Syntax {
	if w.explicitAt(off) {
		head, err := w.bytes(off, 2)
		return Syntax{BigEndian: err == nil && head[0] == 0 && head[1] != 0}
	}
	return Syntax{Implicit: true}
}

// explicitAt says whether the element at off carries a value representation.
func (w *walker) explicitAt(off int64) bool {
	head, err := w.bytes(off, 6)
	return err == nil && knownVR[string(head[4:6])]
}

// longVR holds those with a 32-bit length (PS3.5 7.1.2).
var longVR = map[string]bool{
	"OB": true, "OD": true, "OF": true, "OL": true, "OV": true, "OW": true, "SQ": true,
	"SV": true, "UC": true, "UN": true, "UR": true, "UT": true, "UV": true,
}

// knownVR holds the value representations of PS3.5 6.2.
var knownVR = func() map[string]bool {
	known := maps.Clone(longVR)
	for _, vr := range []string{"AE", "AS", "AT", "CS", "DA", "DS", "DT", "FL", "FD", "IS", "LO", "LT",
		"PN", "SH", "SL", "SS", "ST", "TM", "UI", "UL", "US"} {
		known[vr] = true
	}
	return known
}()

// encoding is how the elements of a data set are written.
type encoding struct {
	implicit bool
	order    binary.ByteOrder
}

// dictionaryVR is the value representation that the dictionary gives t, the
// first where it names several, empty where it has none.
func dictionaryVR(t tag.Tag) string {
	info, err := tag.Find(t)
	if err != nil {
		return ""
	}
	return info.VRs[0]
}
