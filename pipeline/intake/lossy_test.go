package intake_test

import (
	"testing"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// TestLossySyntaxes compares our decoding with that of the reference programs
// on the same file, and with the picture that was compressed.
//
// Tolerances: two sequential-DCT decoders may differ by 1 (rounding of the
// inverse DCT is free, T.81 annex A.3.3; ITU-T T.83); JPEG-LS and JPEG 2000
// decoders are exact, the irreversible 9-7 transform within 1.
func TestLossySyntaxes(t *testing.T) {
	const rows, cols = 122, 166
	p8, p12, p16 := picture(rows, cols, 8, 1), picture(rows, cols, 12, 3), picture(rows, cols, 16, 4)
	eight := header(rows, cols, 8, 8).with(attributes{tag.PixelData: narrow(p8)})
	twelve := header(rows, cols, 16, 12).with(attributes{tag.PixelData: p12})
	sixteen := header(rows, cols, 16, 16).with(attributes{tag.PixelData: p16})
	two := twelve.with(attributes{tag.NumberOfFrames: "2", tag.PixelData: append(append([]uint16(nil), p12...), picture(rows, cols, 12, 9)...)})
	colour := colourOriginal(rows, cols, p8).set
	for _, c := range []struct {
		name              string
		set               attributes
		write, read       []string
		same              int // largest difference from the reference decoder
		mean              float64
		wantBits, wantLen int
	}{
		{"JPEG baseline", eight, []string{"dcmcjpeg", "+eb", "+q", "95", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 1, 2, 8, 1},
		{"JPEG extended, 8 bits", eight, []string{"dcmcjpeg", "+ee", "+q", "95", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 1, 2, 8, 1},
		{"JPEG extended, 12 bits", twelve, []string{"dcmcjpeg", "+ee", "+q", "95", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 1, 20, 12, 1},
		{"JPEG extended, optimised tables", twelve, []string{"dcmcjpeg", "+ee", "+ho", "+q", "60", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 1, 60, 12, 1},
		{"JPEG extended, two frames in small fragments", two, []string{"dcmcjpeg", "+ee", "+fs", "1", "-ot", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 1, 60, 12, 2},
		{"JPEG-LS near-lossless, 8 bits", eight, []string{"dcmcjpls", "+en", "+md", "2", "IN", "OUT"}, []string{"dcmdjpls", "IN", "OUT"}, 0, 2, 8, 1},
		{"JPEG-LS near-lossless, 16 bits", sixteen, []string{"dcmcjpls", "+en", "+md", "3", "IN", "OUT"}, []string{"dcmdjpls", "IN", "OUT"}, 0, 3, 16, 1},
		{"JPEG 2000 lossy, 8 bits", eight, []string{"gdcmconv", "--j2k", "--lossy", "-r", "6", "IN", "OUT"}, []string{"gdcmconv", "--raw", "IN", "OUT"}, 1, 6, 8, 1},
		{"JPEG 2000 lossy, 12 bits", twelve, []string{"gdcmconv", "--j2k", "--lossy", "-r", "6", "IN", "OUT"}, []string{"gdcmconv", "--raw", "IN", "OUT"}, 1, 40, 12, 1},
		{"JPEG baseline, colour", colour, []string{"dcmcjpeg", "+eb", "+q", "95", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 3, 3, 8, 1},
		{"JPEG baseline, RGB kept", colour, []string{"dcmcjpeg", "+eb", "+q", "95", "+cr", "IN", "OUT"}, []string{"dcmdjpeg", "IN", "OUT"}, 3, 3, 8, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			packed := tool(t, c.set.file(), c.write...)
			films := mustRead(t, packed)
			want := mustRead(t, tool(t, packed, c.read...))
			original := mustRead(t, c.set.file())
			if len(films) != c.wantLen || len(want) != c.wantLen {
				t.Fatalf("%d frames, reference %d, want %d", len(films), len(want), c.wantLen)
			}
			for i, film := range films {
				if film.Bits != c.wantBits {
					t.Errorf("%d bits, want %d", film.Bits, c.wantBits)
				}
				for k, v := range want[i].Pixels { // GDCM widens the stored range by what overshoots it
					want[i].Pixels[k] = min(v, 1<<c.wantBits-1)
				}
				if d := worst(film.Pixels, want[i].Pixels); d > c.same {
					t.Errorf("frame %d: differs from the reference decoder by %d", i, d)
				}
				if m := meanDifference(film.Pixels, original[i].Pixels); m > c.mean {
					t.Errorf("frame %d: differs from the original by %.2f on average", i, m)
				}
			}
		})
	}
}

func meanDifference(a, b []uint16) float64 {
	var sum float64
	for i := range a {
		sum += float64(max(a[i], b[i]) - min(a[i], b[i]))
	}
	return sum / float64(len(a))
}
