package intake_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// BenchmarkRead reads a 2500 x 3000 film of 16 bits from a file to its pixels.
func BenchmarkRead(b *testing.B) {
	const rows, cols = 3000, 2500
	film := header(rows, cols, 16, 14).with(attributes{tag.PixelData: picture(rows, cols, 14, 1)})
	plain := film.file()
	padded := film.with(attributes{tag.PixelPaddingValue: 0, tag.PhotometricInterpretation: "MONOCHROME1"}).file()
	for _, c := range []struct {
		name string
		data func(b *testing.B) []byte
	}{
		{"Uncompressed", func(b *testing.B) []byte { return plain }},
		{"UncompressedPadded", func(b *testing.B) []byte { return padded }},
		{"BigEndian", func(b *testing.B) []byte { return tool(b, plain, "dcmconv", "+tb", "IN", "OUT") }},
		{"Deflated", func(b *testing.B) []byte { return tool(b, plain, "dcmconv", "+td", "IN", "OUT") }},
		{"RLE", func(b *testing.B) []byte { return tool(b, plain, "dcmcrle", "IN", "OUT") }},
		{"JPEGLossless", func(b *testing.B) []byte { return tool(b, plain, "dcmcjpeg", "+e1", "IN", "OUT") }},
		{"JPEGLosslessPredictor7", func(b *testing.B) []byte { return tool(b, plain, "dcmcjpeg", "+el", "+sv", "7", "IN", "OUT") }},
		{"JPEGExtended", func(b *testing.B) []byte { return tool(b, plain, "dcmcjpeg", "+ee", "IN", "OUT") }},
		{"JPEGLS", func(b *testing.B) []byte { return tool(b, plain, "dcmcjpls", "+el", "IN", "OUT") }},
		{"JPEG2000", func(b *testing.B) []byte { return tool(b, plain, "gdcmconv", "--j2k", "IN", "OUT") }},
	} {
		b.Run(c.name, func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "film.dcm")
			if err := os.WriteFile(path, c.data(b), 0o600); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				f, err := os.Open(path)
				if err != nil {
					b.Fatal(err)
				}
				info, err := f.Stat()
				if err != nil {
					b.Fatal(err)
				}
				in, err := intake.Open(f, info.Size(), job.Beside{}, testLimits)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := in.Frame(1); err != nil {
					b.Fatal(err)
				}
				f.Close()
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/film")
		})
	}
}
