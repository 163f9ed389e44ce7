package dicomfile

import (
	"compress/flate"
	"encoding/binary"
	"fmt"
	"io"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/simulate"
)

const implementationClass = "2.25.160137480275120519320185317706713463101"

// Write stores f as a DICOM Part 10 file in the given transfer syntax.
//
// Errors: f is not a film of Rows × Cols samples of Bits with UIDs, or its bits,
// object kind and o do not go together with the syntax; or w fails.
func Write(w io.Writer, f simulate.Film, syntax Syntax, o Options) error {
	o, err := o.withDefaults(f, syntax)
	if err != nil {
		return err
	}
	pixels, compressed, err := pixelData(f, syntax, o)
	if err != nil {
		return err
	}
	d, err := header(f, syntax, o, compressed)
	if err != nil {
		return err
	}
	d = append(d, pixels)

	e := encoder{order: binary.LittleEndian, implicit: syntax == ImplicitLittleEndian, undefined: o.UndefinedLengths}
	if syntax == ExplicitBigEndian {
		e.order = binary.BigEndian
	}
	if _, err := w.Write(preamble(sopClasses[f.Facts.Object], f.Facts.InstanceUID, syntax)); err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	body := e.dataset(nil, d)
	if syntax == DeflatedLittleEndian {
		err = deflate(w, body)
	} else {
		_, err = w.Write(body)
	}
	if err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	return nil
}

// preamble returns what stands before the data set of every file: 128 zeros,
// the prefix and the File Meta Information (PS3.10 7.1).
func preamble(class, instance string, syntax Syntax) []byte {
	var meta dataset
	meta.set(tag.FileMetaInformationVersion, []byte{0, 1})
	meta.set(tag.MediaStorageSOPClassUID, class)
	meta.set(tag.MediaStorageSOPInstanceUID, instance)
	meta.set(tag.TransferSyntaxUID, string(syntax))
	meta.set(tag.ImplementationClassUID, implementationClass)
	meta.set(tag.ImplementationVersionName, "SHAFTGAUGE")
	e := encoder{order: binary.LittleEndian}
	group := e.dataset(nil, meta)
	var length dataset
	length.set(tag.FileMetaInformationGroupLength, []uint32{uint32(len(group))})
	out := append(make([]byte, 128), "DICM"...)
	return append(e.dataset(out, length), group...)
}

// deflate writes body as PS3.5 A.5 asks: RFC 1951 data, padded to even length.
func deflate(w io.Writer, body []byte) error {
	counted := &counter{w: w}
	z, err := flate.NewWriter(counted, flate.BestSpeed)
	if err != nil {
		return err
	}
	if _, err := z.Write(body); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	if counted.n%2 == 1 {
		_, err = w.Write([]byte{0})
	}
	return err
}

// counter counts the bytes that pass through it.
type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	return n, err
}
