package source

import (
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"unicode/utf8"
)

// kind is what a file is, as far as its head tells.
type kind int

const (
	other kind = iota
	film
	archive
	directory // DICOMDIR
)

// headBytes is how much of a file is looked at: the preamble and the group
// 0002 elements up to the class of the object.
const headBytes = 1024

// sniffFile looks at the head of the file at path. A file that cannot be
// opened is a film, so that it gets a row.
func sniffFile(path string) (kind, string) {
	f, err := os.Open(path)
	if err != nil {
		return film, ""
	}
	defer f.Close()
	return sniff(f, filepath.Base(path))
}

// sniff returns what the file with this content and base name is, and for
// [other] why it is no film. A head that cannot be read is a film's: the
// worker will say what is wrong with it.
func sniff(r io.Reader, name string) (kind, string) {
	head := make([]byte, headBytes)
	n, err := io.ReadFull(r, head)
	if err != nil && err != io.ErrUnexpectedEOF && err != io.EOF {
		return film, ""
	}
	return classify(head[:n], name)
}

// Signatures of the files that can hold a film, and of two that only look so.
//
// Sources: DICOM PS3.10 §7.1; PNG (W3C) §5.2; JPEG, ITU-T T.81 B.1.1.3; TIFF
// 6.0 §2 and BigTIFF; APPNOTE.TXT (ZIP) 4.3.7 and 4.3.16; AppleDouble, RFC 1740.
var (
	pngMagic    = []byte("\x89PNG\r\n\x1a\n")
	jpegMagic   = []byte{0xff, 0xd8, 0xff}
	tiffMagics  = [][]byte{[]byte("II*\x00"), []byte("MM\x00*"), []byte("II+\x00"), []byte("MM\x00+")}
	zipMagics   = [][]byte{[]byte("PK\x03\x04"), []byte("PK\x05\x06")}
	appleDouble = []byte{0x00, 0x05, 0x16, 0x07}
)

// classify is sniff on the bytes of a head.
func classify(head []byte, name string) (kind, string) {
	ext := strings.ToLower(path.Ext(name))
	switch {
	case len(head) >= 132 && string(head[128:132]) == "DICM":
		class := storageClass(head[132:])
		switch {
		case class == classDirectory:
			return directory, ""
		case hasNoPicture(class):
			return other, "DICOM object without a picture"
		}
		return film, ""
	case bytes.HasPrefix(head, pngMagic), bytes.HasPrefix(head, jpegMagic), hasAnyPrefix(head, tiffMagics):
		return film, ""
	case bytes.HasPrefix(head, appleDouble):
		return other, "file attributes"
	case hasAnyPrefix(head, zipMagics) && ext == ".zip":
		return archive, ""
	case bareDataSet(head):
		return film, ""
	}
	// No film by content. Damaged ones still need a row: those that are named
	// as films, and those named as DICOM media name them (PS3.10 §8.2: no
	// extension) unless they hold text.
	switch ext {
	case ".dcm", ".dicom", ".dic", ".ima", ".png", ".jpg", ".jpeg", ".tif", ".tiff":
		return film, ""
	case ".zip":
		return archive, ""
	case "":
	default:
		if strings.Trim(ext, ".0123456789") != "" {
			return other, "no film by content (" + ext + ")"
		}
	}
	if strings.HasPrefix(name, ".") || len(head) > 0 && isText(head) {
		return other, "no film by content"
	}
	return film, ""
}

func hasAnyPrefix(b []byte, prefixes [][]byte) bool {
	for _, p := range prefixes {
		if bytes.HasPrefix(b, p) {
			return true
		}
	}
	return false
}

func isText(b []byte) bool {
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 && len(b) >= utf8.UTFMax || r < 0x20 && r != '\t' && r != '\n' && r != '\r' && r != '\f' {
			return false
		}
		b = b[n:]
	}
	return true
}

// bareDataSet reports a DICOM data set without the preamble of PS3.10, as old
// archives hold: its first element is of group 0002 or 0008, implicit or
// explicit, little or big endian.
func bareDataSet(b []byte) bool {
	if len(b) < 12 {
		return false
	}
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		group, element := order.Uint16(b), order.Uint16(b[2:])
		if group != 0x0002 && group != 0x0008 || element > 0x0070 {
			continue
		}
		if isVR(b[4:6]) {
			return true
		}
		if n := order.Uint32(b[4:]); order == binary.LittleEndian && n > 0 && n <= 256 {
			return true
		}
	}
	return false
}

// isVR reports whether b names a value representation that begins a data set.
func isVR(b []byte) bool {
	switch string(b) {
	case "UL", "UI", "CS", "SH", "LO", "DA", "TM", "OB":
		return true
	}
	return false
}

const classDirectory = "1.2.840.10008.1.3.10"

// hasNoPicture reports a storage class of PS3.4 B.5 that holds no picture:
// presentation states, waveforms, structured reports, encapsulated documents,
// raw data, registrations.
func hasNoPicture(class string) bool {
	rest, ok := strings.CutPrefix(class, "1.2.840.10008.5.1.4.1.1.")
	if !ok {
		return false
	}
	for _, p := range []string{"9.", "11.", "88.", "104."} {
		if strings.HasPrefix(rest, p) {
			return true
		}
	}
	switch rest {
	case "66", "66.1", "66.2", "66.3", "66.5":
		return true
	}
	return false
}

// storageClass returns Media Storage SOP Class UID (0002,0002) from the group
// 0002 elements at the start of b, explicit little endian by PS3.10 §7.1;
// empty where it is not found.
func storageClass(b []byte) string {
	for e := range elements(b) {
		if e.group != 0x0002 {
			return ""
		}
		if e.element == 0x0002 {
			return trimUID(e.value)
		}
	}
	return ""
}

func trimUID(v []byte) string { return strings.TrimRight(string(v), "\x00 ") }
