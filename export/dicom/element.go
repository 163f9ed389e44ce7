package dicom

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"slices"

	"github.com/suyashkumar/dicom"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

// What every file says of the program that wrote it (PS3.10 7.1).
const (
	implementationClass = "2.25.160137480275120519320185317706713463101"
	implementationName  = "SHAFTGAUGE"
)

// dataset is a data set or an item of a sequence.
type dataset []*dicom.Element

// set adds t. Its value is a string, an int, a float64, a slice of one of them,
// []byte, or []dataset, the items of a sequence; nothing is an empty value. A
// tag without an entry in the dictionary, or a value of another kind, is a
// mistake in this package.
func (d *dataset) set(t tag.Tag, value ...any) {
	var data any = []string{}
	if info, err := tag.Find(t); err == nil && info.VRs[0] == "SQ" {
		data = [][]*dicom.Element{}
	}
	if len(value) > 0 {
		switch v := value[0].(type) {
		case string:
			data = []string{v}
		case int:
			data = []int{v}
		case float64:
			data = []float64{v}
		case dataset:
			data = [][]*dicom.Element{v.sorted()}
		case []dataset:
			items := make([][]*dicom.Element, len(v))
			for i, item := range v {
				items[i] = item.sorted()
			}
			data = items
		default:
			data = v
		}
	}
	el, err := dicom.NewElement(t, data)
	if err != nil {
		panic(fmt.Sprintf("dicom: %v: %v", t, err))
	}
	*d = append(*d, el)
}

// setText adds t unless s is empty.
func (d *dataset) setText(t tag.Tag, s string) {
	if s != "" {
		d.set(t, s)
	}
}

// sorted returns d in order of tags (PS3.5 7.1).
func (d dataset) sorted() dataset {
	out := slices.Clone(d)
	slices.SortStableFunc(out, func(a, b *dicom.Element) int { return cmp.Compare(a.Tag.Uint32(), b.Tag.Uint32()) })
	return out
}

// encode returns d as a DICOM file of class and instance, explicit little
// endian.
func (d dataset) encode(class, instance string) ([]byte, error) {
	all := slices.Clone(d)
	all.set(tag.FileMetaInformationVersion, []byte{0, 1})
	all.set(tag.MediaStorageSOPClassUID, class)
	all.set(tag.MediaStorageSOPInstanceUID, instance)
	all.set(tag.TransferSyntaxUID, uid.ExplicitVRLittleEndian)
	all.set(tag.ImplementationClassUID, implementationClass)
	all.set(tag.ImplementationVersionName, implementationName)
	all.set(tag.SOPClassUID, class)
	all.set(tag.SOPInstanceUID, instance)
	var b bytes.Buffer
	if err := dicom.Write(&b, dicom.Dataset{Elements: all.sorted()}); err != nil {
		return nil, fmt.Errorf("dicom: %w", err)
	}
	return b.Bytes(), nil
}

// write writes the object d of class. Its instance UID comes from what d says;
// dated holds what else it says and does not change with the content, the date
// of writing.
//
// Errors: a value that has no place in DICOM, or w fails.
func (d dataset) write(w io.Writer, class string, dated dataset) (instance string, err error) {
	content, err := d.encode(class, "")
	if err != nil {
		return "", err
	}
	instance = newUID(class, string(content))
	b, err := append(slices.Clone(d), dated...).encode(class, instance)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(b); err != nil {
		return "", fmt.Errorf("dicom: %w", err)
	}
	return instance, nil
}
