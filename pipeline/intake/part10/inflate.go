package part10

import (
	"compress/flate"
	"fmt"
	"io"
)

const blockSize = 1 << 20

// blocks is a data set inflated into blocks of 1 MiB, so that it is never
// copied to grow.
type blocks struct {
	data [][]byte
	size int64
}

// inflate reads the raw deflate stream r (PS3.5 A.5) up to limit bytes.
func inflate(r io.Reader, limit int64) (*blocks, error) {
	z := flate.NewReader(r)
	var b blocks
	for {
		block := make([]byte, blockSize)
		n, err := io.ReadFull(z, block)
		b.data = append(b.data, block)
		if b.size += int64(n); b.size > limit {
			return nil, fmt.Errorf("%w: %d bytes", ErrTooLarge, limit)
		}
		switch err {
		case nil:
		case io.EOF:
			return &b, nil
		case io.ErrUnexpectedEOF:
			if n < blockSize && flateEnded(z) {
				return &b, nil
			}
			return nil, fmt.Errorf("part10: deflated data set: %w", err)
		default:
			return nil, fmt.Errorf("part10: deflated data set: %w", err)
		}
	}
}

// flateEnded tells a stream that ended in its last block from one cut off:
// io.ReadFull reports both as an unexpected end.
func flateEnded(z io.Reader) bool {
	_, err := z.Read(make([]byte, 1))
	return err == io.EOF
}

// ReadAt implements io.ReaderAt.
func (b *blocks) ReadAt(p []byte, off int64) (int, error) {
	n := 0
	for n < len(p) && off < b.size {
		block := b.data[off/blockSize]
		block = block[:min(blockSize, b.size-off/blockSize*blockSize)]
		k := copy(p[n:], block[off%blockSize:])
		n, off = n+k, off+int64(k)
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}
