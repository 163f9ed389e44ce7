package intake_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// attributes are the elements of a data set to write: string (text VRs, its VR
// from the dictionary), int (US), int16 (SS), []uint16 (OW, or US where the
// dictionary says so), []byte (OB) or []attributes (SQ).
type attributes map[tag.Tag]any

var testLimits = intake.Limits{MaxPixels: 40 << 20, MaxFrames: 64}

const (
	explicitLE = "1.2.840.10008.1.2.1"
	crClass    = "1.2.840.10008.5.1.4.1.1.1"
	dxClass    = "1.2.840.10008.5.1.4.1.1.1.1"
	scClass    = "1.2.840.10008.5.1.4.1.1.7"
)

// encode writes a data set in explicit VR little endian (PS3.5 7.1.2).
func (a attributes) encode() []byte {
	tags := make([]tag.Tag, 0, len(a))
	for t := range a {
		tags = append(tags, t)
	}
	sort.Slice(tags, func(i, j int) bool { return tags[i].Compare(tags[j]) < 0 })
	var out []byte
	le := binary.LittleEndian
	for _, t := range tags {
		var vr string
		var value []byte
		if info, err := tag.Find(t); err == nil {
			vr = info.VRs[0]
		}
		switch v := a[t].(type) {
		case string:
			value = []byte(v)
			if len(value)%2 == 1 {
				pad := byte(' ')
				if vr == "UI" {
					pad = 0
				}
				value = append(value, pad)
			}
		case int:
			vr, value = "US", le.AppendUint16(nil, uint16(v))
		case int16:
			vr, value = "SS", le.AppendUint16(nil, uint16(v))
		case []uint16:
			if vr != "US" {
				vr = "OW"
			}
			for _, w := range v {
				value = le.AppendUint16(value, w)
			}
		case []byte:
			vr, value = "OB", v
			if len(value)%2 == 1 {
				value = append(bytes.Clone(value), 0)
			}
		case []attributes:
			vr = "SQ"
			for _, item := range v {
				body := item.encode()
				value = append(value, 0xFE, 0xFF, 0x00, 0xE0)
				value = append(le.AppendUint32(value, uint32(len(body))), body...)
			}
		}
		out = le.AppendUint16(le.AppendUint16(out, t.Group), t.Element)
		out = append(out, vr...)
		switch vr {
		case "OB", "OW", "SQ", "UN", "UT":
			out = le.AppendUint32(append(out, 0, 0), uint32(len(value)))
		default:
			out = le.AppendUint16(out, uint16(len(value)))
		}
		out = append(out, value...)
	}
	return out
}

// file is the data set as a DICOM file.
func (a attributes) file() []byte {
	class, _ := a[tag.SOPClassUID].(string)
	meta := attributes{
		tag.FileMetaInformationVersion: []byte{0, 1},
		tag.MediaStorageSOPClassUID:    class,
		tag.MediaStorageSOPInstanceUID: a[tag.SOPInstanceUID],
		tag.TransferSyntaxUID:          explicitLE,
		tag.ImplementationClassUID:     "2.25.334401",
	}.encode()
	out := append(make([]byte, 128), "DICM"...)
	out = append(out, 2, 0, 0, 0, 'U', 'L', 4, 0)
	out = append(binary.LittleEndian.AppendUint32(out, uint32(len(meta))), meta...)
	return append(out, a.encode()...)
}

// with returns a copy of a with the elements of b set; nil removes one.
func (a attributes) with(b attributes) attributes {
	out := attributes{}
	for t, v := range a {
		out[t] = v
	}
	for t, v := range b {
		if v == nil {
			delete(out, t)
		} else {
			out[t] = v
		}
	}
	return out
}

// header is a computed radiograph without its pixels.
func header(rows, cols, allocated, stored int) attributes {
	return attributes{
		tag.SpecificCharacterSet:      "ISO_IR 100",
		tag.SOPClassUID:               crClass,
		tag.SOPInstanceUID:            "2.25.7001",
		tag.StudyInstanceUID:          "2.25.7002",
		tag.SeriesInstanceUID:         "2.25.7003",
		tag.StudyDate:                 "20240229",
		tag.Modality:                  "CR",
		tag.PatientName:               "Vale^Test",
		tag.PatientID:                 "HV-0042",
		tag.IssuerOfPatientID:         "HARROWVALE",
		tag.PatientBirthDate:          "",
		tag.PatientSex:                "O",
		tag.BodyPartExamined:          "FEMUR",
		tag.ViewPosition:              "AP",
		tag.StudyID:                   "1",
		tag.SeriesNumber:              "1",
		tag.InstanceNumber:            "1",
		tag.ImagerPixelSpacing:        `0.15\0.15`,
		tag.SamplesPerPixel:           1,
		tag.PhotometricInterpretation: "MONOCHROME2",
		tag.Rows:                      rows,
		tag.Columns:                   cols,
		tag.BitsAllocated:             allocated,
		tag.BitsStored:                stored,
		tag.HighBit:                   stored - 1,
		tag.PixelRepresentation:       0,
	}
}

// picture is a smooth field with steps, lines and noise, of values below 2^bits,
// the same on every call.
func picture(rows, cols, bits int, seed uint64) []uint16 {
	rng := rand.New(rand.NewPCG(seed, 7))
	top := float64(int(1)<<bits - 1)
	out := make([]uint16, rows*cols)
	for i := range out {
		y, x := float64(i/cols)/float64(rows), float64(i%cols)/float64(cols)
		v := 0.3 + 0.25*math.Sin(5*x+2*y) + 0.2*math.Exp(-200*(x-0.4-0.1*y)*(x-0.4-0.1*y))
		if x > 0.8 {
			v += 0.2
		}
		v += 0.004 * rng.NormFloat64()
		switch {
		case i%cols == i/cols:
			v = 0
		case i%cols == cols-1-i/cols:
			v = 1
		}
		out[i] = uint16(math.Round(top * min(max(v, 0), 1)))
	}
	return out
}

// narrow is the low bytes of words.
func narrow(words []uint16) []byte {
	out := make([]byte, len(words))
	for i, w := range words {
		out[i] = byte(w)
	}
	return out
}

// signed turns offset values into two's complement words of the given bits,
// sign-extended to 16.
func signed(words []uint16, bits int) []uint16 {
	out := make([]uint16, len(words))
	for i, w := range words {
		out[i] = uint16(int(w) - 1<<(bits-1))
	}
	return out
}

func open(t testing.TB, data []byte) (*intake.File, error) {
	t.Helper()
	return intake.Open(bytes.NewReader(data), int64(len(data)), job.Beside{}, testLimits)
}

// mustRead decodes every frame of data.
func mustRead(t testing.TB, data []byte) []intake.Film {
	t.Helper()
	f, err := open(t, data)
	if err != nil {
		t.Fatal(err)
	}
	var films []intake.Film
	for i := range f.Frames() {
		film, err := f.Frame(i + 1)
		if err != nil {
			t.Fatal(err)
		}
		films = append(films, film)
	}
	return films
}

// tool runs a program of dcmtk, GDCM or Python on in and returns what it wrote;
// "IN" and "OUT" in args stand for the files. The test is skipped where the
// program is not installed.
func tool(t testing.TB, in []byte, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath(args[0]); err != nil {
		t.Skipf("%s is not installed", args[0])
	}
	dir := t.TempDir()
	from, to := filepath.Join(dir, "in.dcm"), filepath.Join(dir, "out.dcm")
	if err := os.WriteFile(from, in, 0o600); err != nil {
		t.Fatal(err)
	}
	args = append([]string(nil), args...)
	for i, a := range args {
		args[i] = strings.NewReplacer("IN", from, "OUT", to).Replace(a)
	}
	if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, out)
	}
	out, err := os.ReadFile(to)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// samePixels fails unless got equals want.
func samePixels(t *testing.T, got, want []uint16) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d pixels, want %d", len(got), len(want))
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("pixel %d is %d, want %d", i, got[i], want[i])
		}
	}
}

// worst is the largest difference between two pictures.
func worst(a, b []uint16) int {
	w := 0
	for i := range a {
		w = max(w, max(int(a[i]), int(b[i]))-min(int(a[i]), int(b[i])))
	}
	return w
}
