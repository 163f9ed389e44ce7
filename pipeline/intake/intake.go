// Package intake reads radiographs: DICOM files in every transfer syntax an
// archive holds, and PNG, JPEG and TIFF pictures.
//
// [Open] reads a file's header and checks its sizes against [Limits]; then
// [File.Frame] decodes one frame at a time, so that the memory in use is that
// of one frame. What the header says of side, view and scale becomes
// [Header] by the rules of the measurement contract; contradictions become
// reason codes there, never silent choices.
//
// Files are not trusted: see package part10 for the walk through a DICOM file
// and package codec for compressed frames. JPEG-LS and JPEG 2000 are decoded by
// CharLS and OpenJPEG through cgo, so only film workers may link this package.
package intake

import (
	"io"

	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// Limits bound what one file may ask for. They are checked before anything of
// that size is allocated.
type Limits struct {
	MaxPixels int // of one frame
	MaxFrames int
}

// bytesPerPixel is the memory that reading a frame of MaxPixels may take, the
// compressed bytes and decoder's buffers included.
const bytesPerPixel = 8

// memory checks that reading takes no more than the limits allow.
func (l Limits) memory(bytes int64) error {
	if most := bytesPerPixel * int64(l.MaxPixels); bytes > most {
		return tooLarge("%d bytes of memory needed, limit %d", bytes, most)
	}
	return nil
}

// size checks the dimensions of a frame.
func (l Limits) size(rows, cols, frames int) error {
	switch {
	case rows <= 0 || cols <= 0 || frames <= 0:
		return unreadable("%d frames of %d x %d pixels", frames, cols, rows)
	case int64(rows)*int64(cols) > int64(l.MaxPixels):
		return tooLarge("%d x %d pixels, limit %d", cols, rows, l.MaxPixels)
	case frames > l.MaxFrames:
		return tooLarge("%d frames, limit %d", frames, l.MaxFrames)
	}
	return nil
}

// File is an opened file. It keeps the reader it was opened from.
type File struct {
	Header Header

	frames int
	decode func(i int) (Film, error) // frame i from 0
}

// Frames is the number of frames, 0 when Open failed.
func (f *File) Frames() int { return f.frames }

// Frame decodes frame i, counted from 1. A frame that fails leaves the others
// readable.
//
// Errors: *[Error].
func (f *File) Frame(i int) (Film, error) {
	if i < 1 || i > f.frames {
		return Film{}, unreadable("frame %d of %d", i, f.frames)
	}
	film, err := f.decode(i - 1)
	if err != nil {
		return Film{}, classify(err)
	}
	film.Frame, film.Header = i, f.Header
	return film, nil
}

// Open reads the header of the file in r, which holds size bytes, and checks
// that its frames can be decoded within the limits. beside holds what a
// films.csv says of the file; for a DICOM file it fills gaps, and where it
// contradicts the header a reason says so.
//
// The File is never nil: where it fails, its Header holds what could be read.
//
// Errors: *[Error] with unreadable_file, unsupported_image or image_too_large.
func Open(r io.ReaderAt, size int64, beside job.Beside, limits Limits) (*File, error) {
	f := &File{}
	head := make([]byte, min(size, 140))
	if n, err := r.ReadAt(head, 0); n < len(head) {
		return f, unreadable("%d of %d bytes: %w", n, size, err)
	}
	var err error
	switch kind := pictureKind(head); {
	case part10.Recognise(head): // first: a preamble may hold a TIFF header (PS3.10 7.1)
		err = f.openDICOM(r, size, beside, limits)
	case kind != "":
		err = f.openPicture(kind, r, size, beside, limits)
	default:
		err = unreadable("neither DICOM nor PNG, JPEG or TIFF")
	}
	if err != nil {
		f.frames = 0
	}
	return f, classify(err)
}
