package dicomfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// Contents and sizes that codecs trip over, each read back without loss: noise
// over the whole range, steps of half the range (the JPEG category without extra
// bits), one grey level, single rows and columns, one more than a block.
func TestReadBackContents(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	contents := []struct {
		name  string
		value func(i int) uint16
	}{
		{"noise", func(int) uint16 { return uint16(rng.UintN(65536)) }},
		{"half steps", func(i int) uint16 { return uint16(i%2) * 32768 }},
		{"extremes", func(i int) uint16 { return uint16(i*i%3%2) * 65535 }},
		{"flat", func(int) uint16 { return 40000 }},
		{"zero", func(int) uint16 { return 0 }},
	}
	sizes := [][2]int{{1, 1}, {1, 37}, {37, 1}, {65, 129}}
	for _, s := range []Syntax{RLELossless, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless} {
		for _, c := range contents {
			for _, size := range sizes {
				f := testFilm(simulate.ComputedRadiography, 16, 8, 8)
				f.Rows, f.Cols, f.Pixels = size[0], size[1], make([]uint16, size[0]*size[1])
				for i := range f.Pixels {
					f.Pixels[i] = c.value(i)
				}
				t.Run(fmt.Sprintf("%v/%s/%dx%d", s, c.name, f.Rows, f.Cols), func(t *testing.T) {
					t.Parallel()
					for tool, got := range readBack(t, mustWrite(t, f, s, Options{}), f, s, Options{}) {
						compare(t, tool, got, f.Pixels, 0)
					}
				})
			}
		}
	}
}

// Each of T.81's seven predictors is read back.
func TestReadBackPredictors(t *testing.T) {
	f := testFilm(simulate.ComputedRadiography, 16, 50, 70)
	for p := 1; p <= 7; p++ {
		t.Run(fmt.Sprint(p), func(t *testing.T) {
			o := Options{Predictor: p}
			for tool, got := range readBack(t, mustWrite(t, f, JPEGLossless, o), f, JPEGLossless, o) {
				compare(t, tool, got, f.Pixels, 0)
			}
		})
	}
}

// JPEG-LS keeps every error within NEAR at several depths (T.87, definition of
// near-lossless).
func TestReadBackNear(t *testing.T) {
	for _, bits := range []int{8, 12, 16} {
		for _, near := range []int{1, 3, 10} {
			t.Run(fmt.Sprintf("%d/%d", bits, near), func(t *testing.T) {
				f := testFilm(simulate.ComputedRadiography, bits, 61, 83)
				o := Options{Near: near}
				for tool, got := range readBack(t, mustWrite(t, f, JPEGLSNearLossless, o), f, JPEGLSNearLossless, o) {
					compare(t, tool, got, f.Pixels, near)
				}
			})
		}
	}
}

// readHeader returns the elements of a file by keyword, as pydicom shows them.
func readHeader(t *testing.T, path string) map[string]string {
	t.Helper()
	if !havePydicom() {
		t.Skip("python3-pydicom is not installed")
	}
	var h map[string]string
	if err := json.Unmarshal(askPydicom(t, "header", path), &h); err != nil {
		t.Fatal(err)
	}
	return h
}

func checkHeader(t *testing.T, got, want map[string]string, absent ...string) {
	t.Helper()
	for key, value := range want {
		if got[key] != value {
			t.Errorf("%s is %q, want %q", key, got[key], value)
		}
	}
	for _, key := range absent {
		if value, ok := got[key]; ok {
			t.Errorf("%s is %q, want it absent", key, value)
		}
	}
}

// pydicom reads what Facts say, and nothing where they are silent, in each
// encoding of the data set.
func TestHeader(t *testing.T) {
	full := testFilm(simulate.DigitalPresentation, 12, 20, 30)
	full.Monochrome1 = true
	full.Facts.PixelSpacing = geom.Spacing{Y: 0.1234567890123456, X: 0.12}
	full.Facts.CalibrationType = "GEOMETRY"
	full.Facts.SeriesDescription = "Femur AP"
	for i, s := range []Syntax{ImplicitLittleEndian, ExplicitLittleEndian, ExplicitBigEndian, DeflatedLittleEndian, RLELossless} {
		h := readHeader(t, mustWrite(t, full, s, Options{UndefinedLengths: i%2 == 1}))
		checkHeader(t, h, map[string]string{
			"SOPClassUID":    "1.2.840.10008.5.1.4.1.1.1.1",
			"SOPInstanceUID": "2.25.123", "SeriesInstanceUID": "2.25.12", "StudyInstanceUID": "2.25.1",
			"PatientID": "HV-0001", "IssuerOfPatientID": "HARROW VALE", "PatientName": "HARROW^VALE TEST",
			"StudyDate": "20240229", "Modality": "DX", "StationName": "HV ROOM 1",
			"SeriesDescription": "Femur AP", "BodyPartExamined": "FEMUR",
			"ImageLaterality": "R", "ViewPosition": "AP", "PatientOrientation": "['L', 'F']",
			"ImagerPixelSpacing": "[0.143, 0.139]", "PixelSpacing": "[0.12345678901235, 0.12]",
			"PixelSpacingCalibrationType":              "GEOMETRY",
			"DistanceSourceToDetector":                 "1150",
			"DistanceSourceToPatient":                  "1012.3456789",
			"EstimatedRadiographicMagnificationFactor": "1.136",
			"PixelIntensityRelationship":               "LOG", "PixelIntensityRelationshipSign": "-1",
			"WindowCenter": "500", "WindowWidth": "1000",
			"PhotometricInterpretation": "MONOCHROME1", "PresentationLUTShape": "INVERSE",
			"Rows": "20", "Columns": "30", "BitsAllocated": "16", "BitsStored": "12", "HighBit": "11",
			"PixelRepresentation": "0", "SamplesPerPixel": "1",
			"RescaleIntercept": "0", "RescaleSlope": "1", "LossyImageCompression": "00",
		}, "Laterality", "PixelAspectRatio", "PixelPaddingValue", "NumberOfFrames")
	}

	bare := testFilm(simulate.SecondaryCapture, 8, 20, 30)
	bare.Facts = simulate.Facts{
		Object: simulate.SecondaryCapture, Modality: "OT",
		StudyUID: "2.25.1", SeriesUID: "2.25.12", InstanceUID: "2.25.123",
		PixelAspectRatio: [2]int{1430, 1390},
	}
	h := readHeader(t, mustWrite(t, bare, ImplicitLittleEndian, Options{}))
	checkHeader(t, h, map[string]string{"PixelAspectRatio": "[1430, 1390]", "BitsAllocated": "8", "PatientID": ""},
		"ImageLaterality", "Laterality", "ViewPosition", "ViewCodeSequence", "BodyPartExamined",
		"PatientOrientation", "ImagerPixelSpacing", "PixelSpacing", "PixelSpacingCalibrationType",
		"EstimatedRadiographicMagnificationFactor", "DistanceSourceToDetector", "DistanceSourceToPatient",
		"PixelIntensityRelationship", "PixelIntensityRelationshipSign", "WindowCenter", "WindowWidth",
		"IssuerOfPatientID", "SeriesDescription", "StationName", "RescaleSlope", "LossyImageCompression")
}

// Rescale and lossy compression are stated where they were done.
func TestHeaderOfLayouts(t *testing.T) {
	cr := testFilm(simulate.ComputedRadiography, 12, 40, 50)
	h := readHeader(t, mustWrite(t, cr, ExplicitLittleEndian, Options{Signed: true}))
	checkHeader(t, h, map[string]string{"PixelRepresentation": "1", "RescaleIntercept": "2048", "RescaleSlope": "1"})
	h = readHeader(t, mustWrite(t, cr, ExplicitLittleEndian, Options{RescaleSlope: 0.5, RescaleIntercept: -100, HighBit: 15}))
	checkHeader(t, h, map[string]string{"RescaleIntercept": "-100", "RescaleSlope": "0.5", "HighBit": "15"})
	for s, method := range map[Syntax]string{
		JPEGExtended: "ISO_10918_1", JPEGLSNearLossless: "ISO_14495_1", JPEG2000: "ISO_15444_1",
	} {
		h = readHeader(t, mustWrite(t, cr, s, Options{}))
		checkHeader(t, h, map[string]string{"LossyImageCompression": "01", "LossyImageCompressionMethod": method})
		if ratio := h["LossyImageCompressionRatio"]; ratio < "1" || len(ratio) < 4 {
			t.Errorf("%v: ratio %q", s, ratio)
		}
	}
}

// The rim holds Pixel Padding Value, no other pixel does, and the rest is the
// film's to one grey level.
func TestPadding(t *testing.T) {
	const border = 3
	for _, mono1 := range []bool{false, true} {
		for _, signed := range []bool{false, true} {
			f := testFilm(simulate.ComputedRadiography, 12, 40, 50)
			f.Monochrome1 = mono1
			o := Options{PaddingBorder: border, Signed: signed}
			path := mustWrite(t, f, ExplicitLittleEndian, o)
			pad := 0
			if mono1 {
				pad = 4095
			}
			value := pad
			if signed {
				value -= 2048
			}
			checkHeader(t, readHeader(t, path), map[string]string{"PixelPaddingValue": fmt.Sprint(value)})
			for tool, got := range readBack(t, path, f, ExplicitLittleEndian, o) {
				for i, v := range got {
					y, x := i/f.Cols, i%f.Cols
					rim := min(y, x, f.Rows-1-y, f.Cols-1-x) < border
					if rim != (int(v) == pad) {
						t.Fatalf("%s: pixel (%d, %d) is %d, padding is %d", tool, x, y, v, pad)
					}
					if d := int(v) - int(f.Pixels[i]); !rim && (d < -1 || d > 1) {
						t.Fatalf("%s: pixel (%d, %d) is %d, want %d", tool, x, y, v, f.Pixels[i])
					}
				}
			}
		}
	}
}

func TestWriteRefuses(t *testing.T) {
	cr, dx := simulate.ComputedRadiography, simulate.DigitalPresentation
	tests := []struct {
		name   string
		change func(f *simulate.Film)
		syntax Syntax
		o      Options
	}{
		{"unknown syntax", nil, "1.2.3", Options{}},
		{"12 bits in JPEG baseline", nil, JPEGBaseline, Options{}},
		{"8 bits in JPEG extended", func(f *simulate.Film) { f.Bits = 8; clear(f.Pixels) }, JPEGExtended, Options{}},
		{"sample over its bits", func(f *simulate.Film) { f.Pixels[3] = 4096 }, ExplicitLittleEndian, Options{}},
		{"missing samples", func(f *simulate.Film) { f.Rows++ }, ExplicitLittleEndian, Options{}},
		{"no UID", func(f *simulate.Film) { f.Facts.InstanceUID = "" }, ExplicitLittleEndian, Options{}},
		{"unknown object", func(f *simulate.Film) { f.Facts.Object = "XX" }, ExplicitLittleEndian, Options{}},
		{"signed DX", func(f *simulate.Film) { f.Facts.Object = dx }, ExplicitLittleEndian, Options{Signed: true}},
		{"signed with loss", nil, JPEG2000, Options{Signed: true}},
		{"frames of CR", nil, ExplicitLittleEndian, Options{MoreFrames: [][]uint16{make([]uint16, 20*30)}}},
		{"8 bits allocated", nil, ExplicitLittleEndian, Options{BitsAllocated: 8}},
		{"high bit 10", nil, ExplicitLittleEndian, Options{HighBit: 10}},
		{"high bit 15 in JPEG", nil, JPEGLosslessSV1, Options{HighBit: 15}},
		{"near 255", func(f *simulate.Film) { f.Bits = 8; clear(f.Pixels) }, JPEGLSNearLossless, Options{Near: 255}},
	}
	for _, tt := range tests {
		f := testFilm(cr, 12, 20, 30)
		if tt.change != nil {
			tt.change(&f)
		}
		var b bytes.Buffer
		if err := Write(&b, f, tt.syntax, tt.o); err == nil {
			t.Errorf("%s: no error", tt.name)
		}
		if b.Len() > 0 {
			t.Errorf("%s: wrote %d bytes", tt.name, b.Len())
		}
	}
}
