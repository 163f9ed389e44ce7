package intake

import (
	"encoding/binary"
	"io"
)

// tiffPages returns a view of r for every page of a TIFF file (TIFF 6.0 section
// 2): the same bytes with a header that points to that page's directory, since
// the decoder reads only the first.
func tiffPages(r io.ReaderAt, size int64, most int) ([]io.ReaderAt, error) {
	head := make([]byte, 8)
	if n, err := r.ReadAt(head, 0); n < 8 {
		return nil, unreadable("TIFF header: %w", err)
	}
	var order binary.ByteOrder = binary.LittleEndian
	if head[0] == 'M' {
		order = binary.BigEndian
	}
	var pages []io.ReaderAt
	seen := map[uint32]bool{}
	for at := order.Uint32(head[4:]); at != 0; {
		if seen[at] {
			return nil, unreadable("TIFF pages in a circle")
		}
		if seen[at] = true; len(pages) == most {
			return nil, tooLarge("more than %d TIFF pages", most)
		}
		page := tiffPage{ReaderAt: r}
		copy(page.head[:], head)
		order.PutUint32(page.head[4:], at)
		pages = append(pages, page)

		var n [2]byte
		if k, err := r.ReadAt(n[:], int64(at)); k < 2 {
			return nil, unreadable("TIFF directory at %d of %d: %w", at, size, err)
		}
		var next [4]byte
		if k, err := r.ReadAt(next[:], int64(at)+2+12*int64(order.Uint16(n[:]))); k < 4 {
			return nil, unreadable("TIFF directory at %d of %d: %w", at, size, err)
		}
		at = order.Uint32(next[:])
	}
	return pages, nil
}

// tiffPage is a TIFF file with its first eight bytes replaced.
type tiffPage struct {
	io.ReaderAt
	head [8]byte
}

// ReadAt implements io.ReaderAt.
func (p tiffPage) ReadAt(b []byte, off int64) (int, error) {
	n, err := p.ReaderAt.ReadAt(b, off)
	if off < 8 {
		copy(b[:n], p.head[off:])
	}
	return n, err
}
