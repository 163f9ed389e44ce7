package intake_test

import (
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// lossless are the programs that write each lossless transfer syntax.
var lossless = []struct {
	name string
	args []string
	rgb  bool // also writes colour
}{
	{"explicit little endian", []string{"dcmconv", "+te", "IN", "OUT"}, true},
	{"implicit little endian", []string{"dcmconv", "+ti", "IN", "OUT"}, true},
	{"explicit big endian", []string{"dcmconv", "+tb", "IN", "OUT"}, true},
	{"deflated", []string{"dcmconv", "+td", "IN", "OUT"}, true},
	{"no preamble", []string{"dcmconv", "-F", "+te", "IN", "OUT"}, true},
	{"no preamble, implicit", []string{"dcmconv", "-F", "+ti", "IN", "OUT"}, true},
	{"undefined lengths", []string{"dcmconv", "-e", "+te", "IN", "OUT"}, true},
	{"RLE, dcmtk", []string{"dcmcrle", "IN", "OUT"}, true},
	{"RLE, GDCM", []string{"gdcmconv", "--rle", "IN", "OUT"}, true},
	{"JPEG lossless SV1, dcmtk", []string{"dcmcjpeg", "+e1", "IN", "OUT"}, true},
	{"JPEG lossless predictor 2", []string{"dcmcjpeg", "+el", "+sv", "2", "IN", "OUT"}, true},
	{"JPEG lossless predictor 3", []string{"dcmcjpeg", "+el", "+sv", "3", "IN", "OUT"}, true},
	{"JPEG lossless predictor 4", []string{"dcmcjpeg", "+el", "+sv", "4", "IN", "OUT"}, true},
	{"JPEG lossless predictor 5", []string{"dcmcjpeg", "+el", "+sv", "5", "IN", "OUT"}, true},
	{"JPEG lossless predictor 6", []string{"dcmcjpeg", "+el", "+sv", "6", "IN", "OUT"}, true},
	{"JPEG lossless predictor 7", []string{"dcmcjpeg", "+el", "+sv", "7", "IN", "OUT"}, true},
	{"JPEG lossless, small fragments", []string{"dcmcjpeg", "+e1", "+fs", "1", "IN", "OUT"}, true},
	{"JPEG lossless, no offset table", []string{"dcmcjpeg", "+e1", "-ot", "IN", "OUT"}, true},
	{"JPEG lossless, small fragments, no offset table", []string{"dcmcjpeg", "+e1", "+fs", "1", "-ot", "IN", "OUT"}, true},
	{"JPEG lossless, GDCM", []string{"gdcmconv", "--jpeg", "IN", "OUT"}, true},
	{"JPEG-LS, dcmtk", []string{"dcmcjpls", "+el", "IN", "OUT"}, true},
	{"JPEG-LS by line", []string{"dcmcjpls", "+el", "+il", "IN", "OUT"}, true},
	{"JPEG-LS by plane", []string{"dcmcjpls", "+el", "+in", "IN", "OUT"}, true},
	{"JPEG-LS, GDCM", []string{"gdcmconv", "--jpegls", "IN", "OUT"}, true},
	{"JPEG 2000, GDCM", []string{"gdcmconv", "--j2k", "IN", "OUT"}, true},
}

// originals are films in explicit little endian with the values they must show.
func originals() []original {
	const rows, cols = 61, 84
	p8, p10, p12, p16 := picture(rows, cols, 8, 1), picture(rows, cols, 10, 2), picture(rows, cols, 12, 3), picture(rows, cols, 16, 4)
	turned := make([]uint16, len(p10))
	for i, v := range p10 {
		turned[i] = 1023 - v
	}
	frames := append(append(append([]uint16(nil), p12...), picture(rows, cols, 12, 5)...), picture(rows, cols, 12, 6)...)
	nested := []attributes{{tag.CodeValue: "399348003", tag.CodingSchemeDesignator: "SCT", tag.CodeMeaning: "antero-posterior",
		tag.ViewModifierCodeSequence: []attributes{}}}
	return []original{
		{"16 of 16 bits", header(rows, cols, 16, 16).with(attributes{tag.PixelData: p16, tag.ViewCodeSequence: nested}), p16},
		{"12 of 16 bits", header(rows, cols, 16, 12).with(attributes{tag.PixelData: p12}), p12},
		{"12 of 16 bits, signed", header(rows, cols, 16, 12).with(attributes{tag.PixelData: signed(p12, 12), tag.PixelRepresentation: 1}), p12},
		{"16 bits, signed", header(rows, cols, 16, 16).with(attributes{tag.PixelData: signed(p16, 16), tag.PixelRepresentation: 1}), p16},
		{"8 bits", header(rows, cols, 8, 8).with(attributes{tag.PixelData: narrow(p8)}), p8},
		{"10 of 16 bits, MONOCHROME1", header(rows, cols, 16, 10).with(attributes{tag.PixelData: p10, tag.PhotometricInterpretation: "MONOCHROME1"}), turned},
		{"three frames of 12 bits", header(rows, cols, 16, 12).with(attributes{tag.SOPClassUID: "1.2.840.10008.5.1.4.1.1.12.2", tag.Modality: "RF",
			tag.NumberOfFrames: "3", tag.PixelData: frames}), frames},
		colourOriginal(rows, cols, p8),
	}
}

type original struct {
	name string
	set  attributes
	want []uint16 // of all frames
}

// colourOriginal is an RGB secondary capture; its greys are BT.601 luminance.
func colourOriginal(rows, cols int, p []uint16) original {
	rgb := make([]byte, 0, 3*len(p))
	grey := make([]uint16, len(p))
	for i, v := range p {
		r, g, b := byte(v), byte(v/2+20), byte(255-v)
		rgb = append(rgb, r, g, b)
		grey[i] = uint16((299*int(r) + 587*int(g) + 114*int(b) + 500) / 1000)
	}
	return original{"RGB", header(rows, cols, 8, 8).with(attributes{tag.SOPClassUID: scClass, tag.Modality: "OT", tag.ConversionType: "WSD",
		tag.SamplesPerPixel: 3, tag.PlanarConfiguration: 0, tag.PhotometricInterpretation: "RGB", tag.PixelData: rgb}), grey}
}

// TestLosslessSyntaxes reads films that dcmtk and GDCM wrote in every lossless
// transfer syntax: every pixel must be as it was before.
func TestLosslessSyntaxes(t *testing.T) {
	for _, o := range originals() {
		for _, l := range lossless {
			t.Run(o.name+"/"+l.name, func(t *testing.T) {
				data := tool(t, o.set.file(), l.args...)
				var got []uint16
				for _, film := range mustRead(t, data) {
					got = append(got, film.Pixels...)
				}
				samePixels(t, got, o.want)
			})
		}
	}
}
