package intake_test

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"image"
	"image/png"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// hostileLimits are small so that a reader that allocates what a file claims is
// caught.
var hostileLimits = intake.Limits{MaxPixels: 1 << 20, MaxFrames: 16}

// hostileMemory is what reading may allocate in all: the pixels' limit, the
// allowance for an inflated header, and small change.
const hostileMemory = 8*(1<<20) + 24<<20

// readAll opens data and decodes every frame.
func readAll(data []byte) error {
	f, err := intake.Open(bytes.NewReader(data), int64(len(data)), job.Beside{}, hostileLimits)
	if err != nil {
		return err
	}
	for i := range f.Frames() {
		if _, err := f.Frame(i + 1); err != nil {
			return err
		}
	}
	return nil
}

// bounded fails when reading data takes too long or too much memory.
func bounded(t *testing.T, data []byte) error {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := time.Now()
	err := readAll(data)
	took := time.Since(start)
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > hostileMemory {
		t.Errorf("%d bytes allocated", n)
	}
	if took > 5*time.Second {
		t.Errorf("took %v", took)
	}
	return err
}

// TestHostile: every damaged file gets a reason, in bounded time and memory.
func TestHostile(t *testing.T) {
	good := small().file()
	at := bytes.LastIndex(good, []byte{0xE0, 0x7F, 0x10, 0x00})
	replaced := func(old, new string) []byte {
		if !bytes.Contains(good, []byte(old)) {
			t.Fatalf("%q is not in the file", old)
		}
		return bytes.Replace(good, []byte(old), []byte(new), 1)
	}
	deep := []byte{}
	for range 4000 { // SQ of undefined length holding an item of undefined length, and so on
		deep = append(deep, 0x08, 0x00, 0x40, 0x11, 'S', 'Q', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFE, 0xFF, 0x00, 0xE0, 0xFF, 0xFF, 0xFF, 0xFF)
	}
	endless := append([]byte{}, good[:at]...)
	endless = append(endless, 0xE0, 0x7F, 0x02, 0x00, 'S', 'Q', 0, 0, 0xFF, 0xFF, 0xFF, 0xFF)
	for range 200000 {
		endless = append(endless, 0xFE, 0xFF, 0x00, 0xE0, 0, 0, 0, 0)
	}
	var bomb bytes.Buffer
	z, _ := flate.NewWriter(&bomb, 9)
	zeros := make([]byte, 1<<20)
	for range 512 {
		z.Write(zeros)
	}
	z.Close()
	var pngBomb bytes.Buffer
	if err := png.Encode(&pngBomb, image.NewGray(image.Rect(0, 0, 20000, 200))); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		data []byte
		want measure.Reason
	}{
		{"empty", nil, measure.UnreadableFile},
		{"text", []byte("path,patient\n"), measure.UnreadableFile},
		{"preamble only", good[:132], measure.UnsupportedImage},
		{"cut in the header", good[:300], measure.UnreadableFile},
		{"cut in the pixels", good[:len(good)-10], measure.UnreadableFile},
		{"length past the end", append(append([]byte{}, good[:at+8]...), 0xFE, 0xFF, 0xFF, 0x7F, 1, 2, 3, 4), measure.UnreadableFile},
		{"gigabytes of text", replaced("LO\x08\x00HV-0042 ", "UT\x00\x00\xF0\xFF\xFF\x7FAAAA"), measure.UnreadableFile},
		{"deep", append(append([]byte{}, good[:at]...), deep...), measure.UnreadableFile},
		{"endless sequence", endless, measure.UnreadableFile},
		{"unknown transfer syntax", replaced("1.2.840.10008.1.2.1\x00", "1.2.840.10008.1.2.9\x00"), measure.UnsupportedImage},
		{"native data called JPEG", replaced("1.2.840.10008.1.2.1\x00", "1.2.840.10008.1.2.5\x00"), measure.UnreadableFile},
		{"no pixel data", small().with(attributes{tag.PixelData: nil}).file(), measure.UnsupportedImage},
		{"no rows", small().with(attributes{tag.Rows: 0}).file(), measure.UnreadableFile},
		{"giant", small().with(attributes{tag.Rows: 65535, tag.Columns: 65535}).file(), measure.ImageTooLarge},
		{"more frames than bytes", small().with(attributes{tag.NumberOfFrames: "9"}).file(), measure.UnreadableFile},
		{"too many frames", small().with(attributes{tag.NumberOfFrames: "100000"}).file(), measure.ImageTooLarge},
		{"negative frames", small().with(attributes{tag.NumberOfFrames: "-3"}).file(), measure.UnreadableFile},
		{"one column fewer", small().with(attributes{tag.Columns: 5}).file(), measure.UnreadableFile},
		{"one row more", small().with(attributes{tag.Rows: 5}).file(), measure.UnreadableFile},
		{"bits that do not fit", small().with(attributes{tag.BitsStored: 17}).file(), measure.UnreadableFile},
		{"high bit below the stored bits", small().with(attributes{tag.HighBit: 3}).file(), measure.UnreadableFile},
		{"32 bits", small().with(attributes{tag.BitsAllocated: 32}).file(), measure.UnsupportedImage},
		{"palette", small().with(attributes{tag.PhotometricInterpretation: "PALETTE COLOR"}).file(), measure.UnsupportedImage},
		{"slope of zero", small().with(attributes{tag.RescaleSlope: "0"}).file(), measure.UnreadableFile},
		{"modality table cut short", small().with(attributes{tag.ModalityLUTSequence: []attributes{{tag.LUTDescriptor: []uint16{0, 0, 16},
			tag.LUTData: []uint16{1, 2, 3}}}}).file(), measure.UnreadableFile},
		{"a CT slice", small().with(attributes{tag.SOPClassUID: "1.2.840.10008.5.1.4.1.1.2", tag.Modality: "CT"}).file(), measure.UnsupportedImage},
		{"deflate bomb", append(bytes.Replace(good[:at], []byte("\x14\x001.2.840.10008.1.2.1\x00"), []byte("\x16\x001.2.840.10008.1.2.1.99"), 1)[:metaEnd(t, good)+2], bomb.Bytes()...), measure.ImageTooLarge},
		{"PNG of many pixels", pngBomb.Bytes(), measure.ImageTooLarge},
		{"PNG cut", pngBomb.Bytes()[:40], measure.ImageTooLarge},
		{"TIFF pages in a circle", []byte("II*\x00\x08\x00\x00\x00\x00\x00\x08\x00\x00\x00"), measure.UnreadableFile},
		{"TIFF of nothing", []byte("II*\x00\xFF\xFF\xFF\x7F"), measure.UnreadableFile},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := bounded(t, c.data)
			if err == nil {
				t.Fatal("read without an error")
			}
			if got := intake.ReasonOf(err); got != c.want {
				t.Errorf("reason %s, want %s: %v", got, c.want, err)
			}
		})
	}
}

// metaEnd is where the data set begins in a file that attributes.file wrote.
func metaEnd(t *testing.T, data []byte) int {
	t.Helper()
	return 144 + int(binary.LittleEndian.Uint32(data[140:]))
}

// packedFilms are one small film in every compressed syntax.
func packedFilms(t testing.TB) map[string][]byte {
	const rows, cols = 64, 48
	twelve := header(rows, cols, 16, 12).with(attributes{tag.PixelData: picture(rows, cols, 12, 1)}).file()
	eight := header(rows, cols, 8, 8).with(attributes{tag.PixelData: narrow(picture(rows, cols, 8, 1))}).file()
	return map[string][]byte{
		"plain":     twelve,
		"implicit":  tool(t, twelve, "dcmconv", "+ti", "-e", "IN", "OUT"),
		"deflated":  tool(t, twelve, "dcmconv", "+td", "IN", "OUT"),
		"RLE":       tool(t, twelve, "dcmcrle", "IN", "OUT"),
		"lossless":  tool(t, twelve, "dcmcjpeg", "+e1", "IN", "OUT"),
		"extended":  tool(t, twelve, "dcmcjpeg", "+ee", "IN", "OUT"),
		"baseline":  tool(t, eight, "dcmcjpeg", "+eb", "IN", "OUT"),
		"JPEG-LS":   tool(t, twelve, "dcmcjpls", "+el", "IN", "OUT"),
		"JPEG 2000": tool(t, twelve, "gdcmconv", "--j2k", "IN", "OUT"),
	}
}

// TestTruncated cuts a film of every syntax at many places: never a picture.
func TestTruncated(t *testing.T) {
	for name, data := range packedFilms(t) {
		t.Run(name, func(t *testing.T) {
			for n := 132; n < len(data)-16; n += 1 + len(data)/97 {
				if err := readAll(data[:n]); err == nil {
					t.Fatalf("cut at %d of %d: read without an error", n, len(data))
				}
			}
		})
	}
}

// TestCodestreamCut shortens the one fragment of a frame and keeps the file
// whole: the decoders themselves must notice.
func TestCodestreamCut(t *testing.T) {
	for name, data := range packedFilms(t) {
		at := bytes.LastIndex(data, []byte{0xE0, 0x7F, 0x10, 0x00, 'O'})
		if at < 0 || data[at+8] != 0xFF {
			continue // not encapsulated
		}
		t.Run(name, func(t *testing.T) {
			fragment := at + 12 + 8 + int(binary.LittleEndian.Uint32(data[at+16:]))
			n := int(binary.LittleEndian.Uint32(data[fragment+4:]))
			for keep := 2; keep < n*9/10; keep += 2 + n/40*2 {
				cut := bytes.Clone(data[:fragment+8+keep])
				binary.LittleEndian.PutUint32(cut[fragment+4:], uint32(keep))
				cut = append(cut, 0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0)
				if err := readAll(cut); err == nil {
					t.Fatalf("%d of %d bytes: read without an error", keep, n)
				}
			}
		})
	}
}

// TestBitFlips flips bytes in films of every syntax: an error or a picture, in
// bounded time and memory, never a panic.
func TestBitFlips(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for name, data := range packedFilms(t) {
		t.Run(name, func(t *testing.T) {
			for range 200 {
				bad := bytes.Clone(data)
				for range 1 + rng.IntN(4) {
					bad[132+rng.IntN(len(bad)-132)] ^= 1 << rng.IntN(8)
				}
				_ = bounded(t, bad)
			}
		})
	}
}
