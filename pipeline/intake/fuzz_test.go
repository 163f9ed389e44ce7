package intake_test

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"runtime/metrics"
	"testing"
	"time"

	"golang.org/x/image/tiff"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// FuzzRead feeds damaged files to the reader. Seeds are films in every transfer
// syntax, written by dcmtk and GDCM, and the headers of the small sample files
// of python3-pydicom where it is installed. Whatever comes, an error carries a
// reason of its own and a picture is whole.
func FuzzRead(f *testing.F) {
	for _, data := range packedFilms(f) {
		f.Add(data)
	}
	files, _ := filepath.Glob("/usr/lib/python3/dist-packages/pydicom/data/test_files/*.dcm")
	for _, path := range files {
		if data, err := os.ReadFile(path); err == nil && len(data) < 20<<10 {
			f.Add(data)
		}
	}
	for _, data := range pictureFiles(f) {
		f.Add(data)
	}
	limits := intake.Limits{MaxPixels: 1 << 18, MaxFrames: 4}
	f.Fuzz(func(t *testing.T, data []byte) {
		hang := time.AfterFunc(10*time.Second, func() { panic("reading hangs") })
		defer hang.Stop()
		before := allocated()
		in, err := intake.Open(bytes.NewReader(data), int64(len(data)), job.Beside{}, limits)
		checkError(t, err)
		if err != nil && in.Frames() != 0 {
			t.Fatal("an error and frames")
		}
		defer func() {
			if n := allocated() - before; n > hostileMemory {
				t.Fatalf("%d bytes allocated", n)
			}
		}()
		for i := range in.Frames() {
			film, err := in.Frame(i + 1)
			if checkError(t, err); err != nil {
				continue
			}
			if n := film.Rows * film.Cols; n != len(film.Pixels) || n == 0 || n > limits.MaxPixels {
				t.Fatalf("%d pixels of %d x %d", len(film.Pixels), film.Cols, film.Rows)
			}
			for _, v := range film.Pixels {
				if int(v) >= 1<<film.Bits {
					t.Fatalf("value %d of %d bits", v, film.Bits)
				}
			}
		}
	})
}

func checkError(t *testing.T, err error) {
	var mine *intake.Error
	if err != nil && (!errors.As(err, &mine) || mine.Reason != measure.UnreadableFile &&
		mine.Reason != measure.UnsupportedImage && mine.Reason != measure.ImageTooLarge) {
		t.Fatalf("error without a reason: %v", err)
	}
}

// allocated is the number of bytes allocated by Go since the program began.
func allocated() uint64 {
	sample := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}

// pictureFiles are small pictures of every kind that is read.
func pictureFiles(t testing.TB) [][]byte {
	grey, deep := image.NewGray(image.Rect(0, 0, 20, 30)), image.NewGray16(image.Rect(0, 0, 20, 30))
	for i := range grey.Pix {
		grey.Pix[i], deep.Pix[2*i] = byte(i*7), byte(i*11)
	}
	var files [][]byte
	for _, write := range []func(io.Writer) error{
		func(w io.Writer) error { return png.Encode(w, grey) },
		func(w io.Writer) error { return png.Encode(w, deep) },
		func(w io.Writer) error { return jpeg.Encode(w, grey, nil) },
		func(w io.Writer) error { return tiff.Encode(w, grey, nil) },
		func(w io.Writer) error { return tiff.Encode(w, deep, &tiff.Options{Compression: tiff.Deflate}) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatal(err)
		}
		files = append(files, b.Bytes())
	}
	return files
}
