package dicomfile

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// testFilm is a film with every fact stated: a soft ramp with noise, both ends
// of the range, a flat area and a width and height that no block divides.
func testFilm(object simulate.Object, bits, rows, cols int) simulate.Film {
	f := simulate.Film{
		Rows: rows, Cols: cols, Bits: bits,
		Pixels: make([]uint16, rows*cols),
		Facts: simulate.Facts{
			Object: object, Modality: map[simulate.Object]string{
				simulate.ComputedRadiography: "CR",
				simulate.DigitalPresentation: "DX",
				simulate.DigitalProcessing:   "DX",
				simulate.Fluoroscopy:         "RF",
				simulate.SecondaryCapture:    "OT",
			}[object],
			ImagerPixelSpacing: geom.Spacing{Y: 0.143, X: 0.139},
			ViewPosition:       "AP", ViewCode: "399348003",
			BodyPart: "FEMUR", PatientOrientation: [2]string{"L", "F"},
			PixelIntensityRelationship: "LOG", PixelIntensitySign: -1,
			WindowCenter: 500, WindowWidth: 1000,
			SourceToDetector: 1150, SourceToPatient: 1012.3456789,
			MagnificationFactor: 1.136,
			PatientID:           "HV-0001", Issuer: "HARROW VALE", PatientName: "HARROW^VALE TEST",
			StudyDate: "20240229",
			StudyUID:  "2.25.1", SeriesUID: "2.25.12", InstanceUID: "2.25.123",
			Station: "HV ROOM 1",
		},
	}
	if object == simulate.DigitalPresentation || object == simulate.DigitalProcessing {
		f.Facts.ImageLaterality = "R"
	} else {
		f.Facts.Laterality = "R"
	}
	rng := rand.New(rand.NewPCG(1, uint64(bits)))
	top := float64(int(1)<<bits - 1)
	for y := range rows {
		for x := range cols {
			ramp := 0.5 + 0.45*math.Sin(float64(x)/23)*math.Cos(float64(y)/31)
			v := ramp*top + rng.NormFloat64()*top/400
			f.Pixels[y*cols+x] = uint16(min(max(v, 0), top))
		}
	}
	for y := rows / 3; y < rows/2; y++ {
		for x := range cols / 2 {
			f.Pixels[y*cols+x] = uint16(top) / 3
		}
	}
	f.Pixels[0], f.Pixels[1], f.Pixels[len(f.Pixels)-1] = uint16(top), 0, uint16(top)
	return f
}

// needTool skips the test, by name, where a reference tool is missing.
func needTool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not installed", name)
	}
}

func mustWrite(t *testing.T, f simulate.Film, s Syntax, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, f, s, o); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "film.dcm")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// decodeNative turns words of little endian pixel data into film samples: n
// samples of bits, shifted down from the high bit, with 2^(bits−1) added where
// they are signed.
func decodeNative(data []byte, f simulate.Film, o Options, allocated int) []uint16 {
	bytesPer := allocated / 8
	shift := 0
	if o.HighBit != 0 {
		shift = o.HighBit - (f.Bits - 1)
	}
	out := make([]uint16, len(data)/bytesPer)
	for i := range out {
		v := uint16(data[i*bytesPer])
		if bytesPer == 2 {
			v |= uint16(data[2*i+1]) << 8
		}
		v = v >> shift & uint16(1<<f.Bits-1)
		if o.Signed {
			v ^= 1 << (f.Bits - 1)
		}
		out[i] = v
	}
	return out
}

// tail returns the last n bytes of a file: the pixel data, which ends it.
func tail(t *testing.T, path string, n int) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(data) < n {
		t.Fatalf("%s has %d bytes, want at least %d", path, len(data), n)
	}
	return data[len(data)-n:]
}

func compare(t *testing.T, reader string, got, want []uint16, tolerance int) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d samples, want %d", reader, len(got), len(want))
		return
	}
	worst, at := 0, 0
	for i := range want {
		if d := max(int(got[i])-int(want[i]), int(want[i])-int(got[i])); d > worst {
			worst, at = d, i
		}
	}
	if worst > tolerance {
		t.Errorf("%s: sample %d is %d, want %d (tolerance %d)", reader, at, got[at], want[at], tolerance)
	}
}

// readBack decodes path by every reference tool that knows its syntax and
// returns the samples by tool. Each tool writes explicit little endian.
func readBack(t *testing.T, path string, f simulate.Film, s Syntax, o Options) map[string][]uint16 {
	t.Helper()
	tools := map[string][]string{"gdcmconv": {"--raw", path, ""}}
	if s == RLELossless && o.HighBit != 0 {
		delete(tools, "gdcmconv") // GDCM 3.0.21 clears the wrong bits of such a file
	}
	switch s {
	case JPEGBaseline, JPEGExtended, JPEGLossless, JPEGLosslessSV1:
		tools["dcmdjpeg"] = []string{path, ""}
	case JPEGLSLossless, JPEGLSNearLossless:
		tools["dcmdjpls"] = []string{path, ""}
	case RLELossless:
		tools["dcmdrle"] = []string{path, ""}
	}
	if s.Native() {
		tools["dcmconv"] = []string{"+te", path, ""}
		delete(tools, "gdcmconv")
		if s != DeflatedLittleEndian && s != ExplicitBigEndian {
			tools["gdcmconv"] = []string{"--raw", path, ""}
		}
	}
	allocated := o.BitsAllocated
	if allocated == 0 {
		allocated = 8
		if f.Bits > 8 {
			allocated = 16
		}
	}
	n := len(f.Pixels) * (1 + len(o.MoreFrames))
	size := n * allocated / 8
	size += size % 2
	got := map[string][]uint16{}
	for tool, args := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			t.Logf("%s is not installed", tool)
			continue
		}
		out := filepath.Join(t.TempDir(), tool+".dcm")
		args[len(args)-1] = out
		if msg, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", tool, err, msg)
			continue
		}
		got[tool] = decodeNative(tail(t, out, size), f, o, allocated)[:n]
	}
	if s.Native() || s == RLELossless {
		if havePydicom() {
			got["pydicom"] = decodeNative(askPydicom(t, "pixels", path), f, o, 16)
		} else {
			t.Log("python3-pydicom is not installed")
		}
	}
	if len(got) == 0 {
		t.Skip("no reference reader is installed")
	}
	return got
}

// Every syntax and depth is read back by tools that are not ours: dcmtk, GDCM
// and pydicom.
func TestReadBack(t *testing.T) {
	for _, s := range Syntaxes() {
		for _, bits := range []int{8, 10, 12, 14, 16} {
			if !s.Fits(bits) {
				continue
			}
			t.Run(fmt.Sprintf("%v/%d", s, bits), func(t *testing.T) {
				t.Parallel()
				f := testFilm(simulate.ComputedRadiography, bits, 131, 179)
				path := mustWrite(t, f, s, Options{})
				for tool, got := range readBack(t, path, f, s, Options{}) {
					compare(t, tool, got, f.Pixels, lossyTolerance[s])
				}
			})
		}
	}
}

// lossyTolerance is the largest error in grey levels with the default options.
// JPEG-LS bounds it by definition (T.87: NEAR); the transforms do not, and the
// figure is some quantisation steps.
var lossyTolerance = map[Syntax]int{
	JPEGBaseline:       12,
	JPEGExtended:       16,
	JPEGLSNearLossless: 2,
	JPEG2000:           4,
}

// The layouts that makers differ in, each read back without loss.
func TestReadBackLayouts(t *testing.T) {
	cr, sc, rf, dx := simulate.ComputedRadiography, simulate.SecondaryCapture, simulate.Fluoroscopy, simulate.DigitalPresentation
	second := testFilm(rf, 12, 64, 96)
	for i := range second.Pixels {
		second.Pixels[i] ^= 0x0FF
	}
	tests := []struct {
		name     string
		object   simulate.Object
		bits     int
		o        Options
		syntaxes []Syntax
	}{
		{"signed 12", cr, 12, Options{Signed: true}, nil},
		{"signed 16", sc, 16, Options{Signed: true}, nil},
		{"signed 8", sc, 8, Options{Signed: true}, nil},
		{"8 bits in 16", sc, 8, Options{BitsAllocated: 16}, []Syntax{ImplicitLittleEndian, ExplicitLittleEndian, DeflatedLittleEndian, ExplicitBigEndian, RLELossless}},
		{"high bit 15", cr, 12, Options{HighBit: 15}, []Syntax{ImplicitLittleEndian, ExplicitBigEndian, RLELossless}},
		{"undefined lengths", dx, 14, Options{UndefinedLengths: true}, nil},
		{"frames", rf, 12, Options{MoreFrames: [][]uint16{second.Pixels, second.Pixels}}, nil},
		{"8-bit frames", rf, 8, Options{MoreFrames: [][]uint16{testFilm(rf, 8, 64, 96).Pixels}}, nil},
	}
	for _, tt := range tests {
		syntaxes := tt.syntaxes
		if syntaxes == nil {
			syntaxes = Syntaxes()
		}
		for _, s := range syntaxes {
			if s.Lossy() || !s.Fits(tt.bits) {
				continue
			}
			t.Run(fmt.Sprintf("%s/%v", tt.name, s), func(t *testing.T) {
				t.Parallel()
				f := testFilm(tt.object, tt.bits, 64, 96)
				want := f.Pixels
				for _, more := range tt.o.MoreFrames {
					want = append(want[:len(want):len(want)], more...)
				}
				for tool, got := range readBack(t, mustWrite(t, f, s, tt.o), f, s, tt.o) {
					compare(t, tool, got, want, 0)
				}
			})
		}
	}
}

// dciodvfy, the validator of dicom3tools, finds no error in any IOD.
func TestValidator(t *testing.T) {
	needTool(t, "dciodvfy")
	for _, object := range []simulate.Object{
		simulate.ComputedRadiography, simulate.DigitalPresentation, simulate.DigitalProcessing,
		simulate.Fluoroscopy, simulate.SecondaryCapture,
	} {
		for _, s := range Syntaxes() {
			if s == DeflatedLittleEndian {
				continue // Debian's dciodvfy cannot inflate
			}
			bits := 12
			if s == JPEGBaseline {
				bits = 8
			}
			for _, mono1 := range []bool{false, true} {
				if mono1 && object == simulate.Fluoroscopy {
					continue // its IOD has MONOCHROME2 only
				}
				t.Run(fmt.Sprintf("%s/%v/%v", object, s, mono1), func(t *testing.T) {
					t.Parallel()
					f := testFilm(object, bits, 40, 56)
					f.Monochrome1 = mono1
					if mono1 {
						f.Facts.PixelIntensitySign = 1
						f.Facts.PixelSpacing = f.Facts.ImagerPixelSpacing
						f.Facts.CalibrationType = "FIDUCIAL"
					}
					o := Options{}
					if object == simulate.Fluoroscopy {
						o.MoreFrames = [][]uint16{f.Pixels}
					}
					out, err := exec.Command("dciodvfy", mustWrite(t, f, s, o)).CombinedOutput()
					for line := range strings.Lines(string(out)) {
						if strings.HasPrefix(line, "Error") {
							t.Error(line)
						}
					}
					if err != nil {
						t.Errorf("%v\n%s", err, out)
					}
				})
			}
		}
	}
}
