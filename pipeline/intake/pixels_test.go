package intake_test

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"
	"golang.org/x/image/tiff"

	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// TestPixelModule: what stored values become, by PS3.3 C.7.6.3 (Image Pixel),
// C.7.5.1.1.2 (padding) and C.11.1 (modality look-up), worked by hand.
func TestPixelModule(t *testing.T) {
	u16 := func(v ...int) []uint16 {
		out := make([]uint16, len(v))
		for i, x := range v {
			out[i] = uint16(x)
		}
		return out
	}
	lut := func(first any, values ...uint16) []attributes {
		return []attributes{{tag.LUTDescriptor: []uint16{uint16(len(values)), first.(uint16), 10}, tag.ModalityLUTType: "US", tag.LUTData: values}}
	}
	for _, c := range []struct {
		name   string
		set    attributes
		stored []uint16
		want   []uint16
		bits   int
		padded bool
	}{
		{name: "12 bits", stored: u16(0, 1, 2048, 4095), want: u16(0, 1, 2048, 4095), bits: 12},
		{name: "overlay in the high bits", stored: u16(0xF000, 0x1001, 0x8800, 0xFFFF), want: u16(0, 1, 2048, 4095), bits: 12},
		{name: "high bit 15", set: attributes{tag.HighBit: 15}, stored: u16(0x000F, 0x0010, 0x8000, 0xFFFF), want: u16(0, 1, 2048, 4095), bits: 12},
		{name: "signed", set: attributes{tag.PixelRepresentation: 1}, stored: u16(-2048, -1, 0, 2047), want: u16(0, 2047, 2048, 4095), bits: 12},
		{name: "signed, high bits not extended", set: attributes{tag.PixelRepresentation: 1}, stored: u16(0x0800, 0x0FFF, 0, 2047), want: u16(0, 2047, 2048, 4095), bits: 12},
		{name: "MONOCHROME1", set: attributes{tag.PhotometricInterpretation: "MONOCHROME1"}, stored: u16(0, 1, 2048, 4095), want: u16(4095, 4094, 2047, 0), bits: 12},
		{name: "negative slope", set: attributes{tag.RescaleSlope: "-1", tag.RescaleIntercept: "4095", tag.RescaleType: "US"}, stored: u16(0, 1, 2048, 4095), want: u16(4095, 4094, 2047, 0), bits: 12},
		{name: "MONOCHROME1 with negative slope", set: attributes{tag.PhotometricInterpretation: "MONOCHROME1", tag.RescaleSlope: "-0.5", tag.RescaleIntercept: "0"},
			stored: u16(0, 1, 2048, 4095), want: u16(0, 1, 2048, 4095), bits: 12},
		{name: "slope and intercept", set: attributes{tag.RescaleSlope: "2", tag.RescaleIntercept: "-1024"}, stored: u16(0, 1, 2048, 4095), want: u16(0, 1, 2048, 4095), bits: 12},
		{name: "padding", set: attributes{tag.PixelPaddingValue: 4095}, stored: u16(0, 1, 4095, 4094), want: u16(0, 1, 0, 4094), bits: 12, padded: true},
		{name: "padding that does not occur", set: attributes{tag.PixelPaddingValue: 4095}, stored: u16(0, 1, 4093, 4094), want: u16(0, 1, 4093, 4094), bits: 12},
		{name: "padding and MONOCHROME1", set: attributes{tag.PixelPaddingValue: 0, tag.PhotometricInterpretation: "MONOCHROME1"}, stored: u16(0, 1, 2048, 4095), want: u16(0, 4094, 2047, 0), bits: 12, padded: true},
		{name: "padding range", set: attributes{tag.PixelPaddingValue: 4000, tag.PixelPaddingRangeLimit: 4095}, stored: u16(3999, 4000, 4050, 4095), want: u16(3999, 0, 0, 0), bits: 12, padded: true},
		{name: "signed padding", set: attributes{tag.PixelRepresentation: 1, tag.PixelPaddingValue: int16(-2000)}, stored: u16(-2000, -1999, 0, -2001), want: u16(0, 49, 2048, 47), bits: 12, padded: true},
		{name: "padding outside the stored bits", set: attributes{tag.PixelPaddingValue: 65535}, stored: u16(0, 65535, 4095, 7), want: u16(0, 0, 4095, 7), bits: 12, padded: true},
		{name: "modality table", set: attributes{tag.ModalityLUTSequence: lut(uint16(10), 100, 300, 700, 1023)}, stored: u16(9, 10, 12, 4095), want: u16(100, 100, 700, 1023), bits: 10},
		{name: "modality table and MONOCHROME1", set: attributes{tag.PhotometricInterpretation: "MONOCHROME1", tag.ModalityLUTSequence: lut(uint16(10), 100, 300, 700, 1023)},
			stored: u16(9, 11, 12, 4095), want: u16(923, 723, 323, 0), bits: 10},
		{name: "modality table of signed values", set: attributes{tag.PixelRepresentation: 1, tag.ModalityLUTSequence: lut(uint16(0xFFFF), 1, 2, 3)},
			stored: u16(-2048, -1, 0, 1), want: u16(1, 1, 2, 3), bits: 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			film := mustRead(t, header(2, 2, 16, 12).with(attributes{tag.PixelData: c.stored}).with(c.set).file())[0]
			samePixels(t, film.Pixels, c.want)
			if film.Bits != c.bits || film.Padded != c.padded {
				t.Errorf("%d bits, padded %v; want %d, %v", film.Bits, film.Padded, c.bits, c.padded)
			}
		})
	}
}

// TestLinear: Pixel Intensity Relationship, PS3.3 C.8.11.3.
func TestLinear(t *testing.T) {
	for relation, want := range map[string]bool{"LIN": true, "LOG": false, "": false} {
		film := mustRead(t, small().with(attributes{tag.PixelIntensityRelationship: relation}).file())[0]
		if film.Linear != want {
			t.Errorf("%q: linear %v", relation, film.Linear)
		}
	}
}

// TestPlanarColour reads colours stored by plane, odd sizes included.
func TestPlanarColour(t *testing.T) {
	const rows, cols = 5, 7
	o := colourOriginal(rows, cols, picture(rows, cols, 8, 1))
	rgb := o.set[tag.PixelData].([]byte)
	planes := make([]byte, len(rgb))
	for i, v := range rgb {
		planes[i%3*rows*cols+i/3] = v
	}
	film := mustRead(t, o.set.with(attributes{tag.PlanarConfiguration: 1, tag.PixelData: planes}).file())[0]
	samePixels(t, film.Pixels, o.want)
}

// TestPictures writes and reads PNG, JPEG and TIFF with the standard libraries'
// own encoders.
func TestPictures(t *testing.T) {
	const rows, cols = 40, 56
	want8, want16 := picture(rows, cols, 8, 1), picture(rows, cols, 16, 2)
	grey, deep, colours := image.NewGray(image.Rect(0, 0, cols, rows)), image.NewGray16(image.Rect(0, 0, cols, rows)), image.NewNRGBA(image.Rect(0, 0, cols, rows))
	luma := make([]uint16, len(want8))
	for i := range want8 {
		grey.Pix[i] = byte(want8[i])
		deep.SetGray16(i%cols, i/cols, color.Gray16{Y: want16[i]})
		c := color.NRGBA{R: byte(want8[i]), G: byte(want8[i] / 2), B: byte(255 - want8[i]), A: 255}
		colours.SetNRGBA(i%cols, i/cols, c)
		luma[i] = uint16((299*int(c.R) + 587*int(c.G) + 114*int(c.B) + 500) / 1000)
	}
	encode := func(f func(*bytes.Buffer) error) []byte {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	deflate := &tiff.Options{Compression: tiff.Deflate, Predictor: true}
	for _, c := range []struct {
		name string
		data []byte
		want []uint16
		bits int
		near int
	}{
		{"PNG, 8 bits", encode(func(b *bytes.Buffer) error { return png.Encode(b, grey) }), want8, 8, 0},
		{"PNG, 16 bits", encode(func(b *bytes.Buffer) error { return png.Encode(b, deep) }), want16, 16, 0},
		{"PNG, colour", encode(func(b *bytes.Buffer) error { return png.Encode(b, colours) }), luma, 8, 1},
		{"JPEG", encode(func(b *bytes.Buffer) error { return jpeg.Encode(b, grey, &jpeg.Options{Quality: 100}) }), want8, 8, 3},
		{"TIFF, 8 bits", encode(func(b *bytes.Buffer) error { return tiff.Encode(b, grey, nil) }), want8, 8, 0},
		{"TIFF, 16 bits", encode(func(b *bytes.Buffer) error { return tiff.Encode(b, deep, deflate) }), want16, 16, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := intake.Open(bytes.NewReader(c.data), int64(len(c.data)), job.Beside{Patient: "P1", Date: "20240301", Side: "R", View: "AP", SpacingX: 0.2, SpacingY: 0.3}, testLimits)
			if err != nil {
				t.Fatal(err)
			}
			film, err := f.Frame(1)
			if err != nil {
				t.Fatal(err)
			}
			if film.Rows != rows || film.Cols != cols || film.Bits != c.bits {
				t.Fatalf("%d x %d of %d bits", film.Cols, film.Rows, film.Bits)
			}
			if d := worst(film.Pixels, c.want); d > c.near {
				t.Errorf("differs by %d", d)
			}
			h := film.Header
			if h.PatientID != "P1" || h.StudyDate != "20240301" || h.Side != intake.Right || h.View != "AP" || h.Scale.Spacing.Y != 0.3 || h.Scale.Spacing.X != 0.2 || h.Scale.Basis != "detector" {
				t.Errorf("header %+v", h)
			}
		})
	}
}

// TestTIFFPages reads a TIFF file of two pages, joined by hand (TIFF 6.0
// section 2): each page is a frame.
func TestTIFFPages(t *testing.T) {
	page := func(v uint8) []byte {
		img := image.NewGray(image.Rect(0, 0, 9, 5))
		for i := range img.Pix {
			img.Pix[i] = v + uint8(i)
		}
		var b bytes.Buffer
		if err := tiff.Encode(&b, img, nil); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	data := joinTIFF(page(10), page(100))
	films := mustRead(t, data)
	if len(films) != 2 || films[0].Pixels[3] != 13 || films[1].Pixels[3] != 103 || films[1].Frame != 2 {
		t.Fatalf("read %d pages: %+v", len(films), films)
	}
}

// joinTIFF appends b to a and moves b's offsets. The encoder's values of more
// than four bytes are rationals (resolution), the strip's place is a value.
func joinTIFF(a, b []byte) []byte {
	le := func(p []byte) int { return int(p[0]) | int(p[1])<<8 | int(p[2])<<16 | int(p[3])<<24 }
	put := func(p []byte, v int) { p[0], p[1], p[2], p[3] = byte(v), byte(v>>8), byte(v>>16), byte(v>>24) }
	out := bytes.Clone(a)
	for len(out)%2 == 1 {
		out = append(out, 0)
	}
	shift := len(out)
	second := bytes.Clone(b)
	dir := le(second[4:])
	n := int(second[dir]) | int(second[dir+1])<<8
	for i := range n {
		e := second[dir+2+12*i:]
		const stripOffsets, rational = 273, 5
		if tag, kind := int(e[0])|int(e[1])<<8, int(e[2]); tag == stripOffsets || kind == rational {
			put(e[8:], le(e[8:])+shift)
		}
	}
	first := le(out[4:])
	put(out[first+2+12*(int(out[first])|int(out[first+1])<<8):], dir+shift)
	return append(out, second...)
}
