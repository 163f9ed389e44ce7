// Package jpeg decodes the processes of JPEG (ITU-T T.81) that DICOM uses and
// image/jpeg does not know: lossless with Huffman coding (process 14, all seven
// predictors) and sequential DCT with 12-bit samples (process 4, the grey one).
//
// [Inspect] tells which process a codestream is, JPEG-LS (T.87) included, so
// that the caller can choose the decoder by the codestream and not by what the
// file calls it.
package jpeg

import (
	"encoding/binary"
	"fmt"

	"shaftgauge/pipeline/intake/codec"
)

// Process is the coding process that a frame header names.
type Process byte

// The processes told apart, by their start-of-frame marker.
const (
	Baseline    Process = 0xC0
	Extended    Process = 0xC1 // sequential DCT, 8 or 12 bits
	Progressive Process = 0xC2
	Lossless    Process = 0xC3
	LS          Process = 0xF7 // T.87
)

const (
	markerDHT = 0xC4
	markerJPG = 0xC8
	markerDAC = 0xCC
	markerSOI = 0xD8
	markerEOI = 0xD9
	markerSOS = 0xDA
	markerDQT = 0xDB
	markerDRI = 0xDD
)

// frame is a frame header with the tables in force when its scan begins.
type frame struct {
	codec.Shape
	process Process
	id      []byte
	quantum []byte // index of the quantisation table of each component
	sampled bool   // some component is subsampled
	tables  [2][4]*huffman
	quanta  [4]*[64]uint16
	restart int
	scan    []byte // the scan header
	entropy []byte // what follows it
}

// Inspect returns the shape that the frame header of src claims, and its process.
//
// Errors: src does not start as a JPEG codestream or ends before the frame
// header; codec.ErrUnsupported where the height is to follow the scan.
func Inspect(src []byte) (codec.Shape, Process, error) {
	f, err := parse(src, true)
	if err != nil {
		return codec.Shape{}, 0, err
	}
	return f.Shape, f.process, nil
}

// parse reads marker segments up to the first scan, or only up to the frame
// header.
func parse(src []byte, frameOnly bool) (*frame, error) {
	if len(src) < 4 || src[0] != 0xFF || src[1] != markerSOI {
		return nil, fmt.Errorf("jpeg: no start of image")
	}
	f := &frame{}
	for at := 2; ; {
		for at < len(src) && src[at] == 0xFF && at+1 < len(src) && src[at+1] == 0xFF {
			at++ // fill bytes, B.1.1.2
		}
		if at+4 > len(src) {
			return nil, fmt.Errorf("jpeg: codestream ends in its header")
		}
		marker := src[at+1]
		n := int(binary.BigEndian.Uint16(src[at+2:]))
		if src[at] != 0xFF || marker == 0 || n < 2 || at+2+n > len(src) {
			return nil, fmt.Errorf("jpeg: broken marker segment at %d", at)
		}
		body := src[at+4 : at+2+n]
		at += 2 + n
		var err error
		switch {
		case marker == markerDHT:
			err = f.readHuffman(body)
		case marker == markerDQT:
			err = f.readQuanta(body)
		case marker == markerDRI && len(body) == 2:
			f.restart = int(binary.BigEndian.Uint16(body))
		case marker == markerDRI || marker == markerEOI:
			err = fmt.Errorf("jpeg: broken marker segment at %d", at)
		case marker == markerSOS:
			if f.process == 0 {
				return nil, fmt.Errorf("jpeg: scan without a frame")
			}
			f.scan, f.entropy = body, src[at:]
			return f, nil
		case marker == byte(LS), marker >= 0xC0 && marker <= 0xCF && marker != markerJPG && marker != markerDAC:
			if f.process != 0 {
				return nil, fmt.Errorf("jpeg: second frame header: %w", codec.ErrUnsupported)
			}
			if err = f.readFrame(marker, body); err == nil && frameOnly {
				return f, nil
			}
		}
		if err != nil {
			return nil, err
		}
	}
}

func (f *frame) readFrame(marker byte, b []byte) error {
	if len(b) < 6 || len(b) != 6+3*int(b[5]) {
		return fmt.Errorf("jpeg: broken frame header")
	}
	f.process = Process(marker)
	f.Bits = int(b[0])
	f.Rows, f.Cols = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
	f.Samples = int(b[5])
	if f.Rows == 0 {
		return fmt.Errorf("jpeg: height after the scan: %w", codec.ErrUnsupported)
	}
	if f.Cols == 0 || f.Samples == 0 {
		return fmt.Errorf("jpeg: empty frame")
	}
	for c := b[6:]; len(c) > 0; c = c[3:] {
		f.id = append(f.id, c[0])
		f.quantum = append(f.quantum, c[2])
		f.sampled = f.sampled || c[1] != b[7]
	}
	return nil
}

func (f *frame) readQuanta(b []byte) error {
	for len(b) > 0 {
		size, to := 1+int(b[0]>>4), b[0]&15
		if size > 2 || to > 3 || len(b) < 1+64*size {
			return fmt.Errorf("jpeg: broken quantisation table")
		}
		q := new([64]uint16)
		for i := range q {
			if size == 1 {
				q[i] = uint16(b[1+i])
			} else {
				q[i] = binary.BigEndian.Uint16(b[1+2*i:])
			}
		}
		f.quanta[to] = q
		b = b[1+64*size:]
	}
	return nil
}

func (f *frame) readHuffman(b []byte) error {
	for len(b) > 0 {
		if len(b) < 17 {
			return fmt.Errorf("jpeg: broken Huffman table")
		}
		class, to := b[0]>>4, b[0]&15
		n := 0
		for _, k := range b[1:17] {
			n += int(k)
		}
		if class > 1 || to > 3 || n > 256 || len(b) < 17+n {
			return fmt.Errorf("jpeg: broken Huffman table")
		}
		h, err := newHuffman(b[1:17], b[17:17+n])
		if err != nil {
			return err
		}
		f.tables[class][to] = h
		b = b[17+n:]
	}
	return nil
}

// component is what a scan header says of one component.
type component struct {
	dc, ac  *huffman
	quantum *[64]uint16
}

// components reads the scan header; the scan must hold every component of the
// frame. It returns the three parameters that follow them (Ss, Se, AhAl).
func (f *frame) components(needAC bool) (c []component, parameters []byte, err error) {
	n := f.Samples
	if len(f.scan) != 4+2*n || int(f.scan[0]) != n {
		return nil, nil, fmt.Errorf("jpeg: scan of some of the components: %w", codec.ErrUnsupported)
	}
	for i := range n {
		id, tables := f.scan[1+2*i], f.scan[2+2*i]
		if id != f.id[i] || tables>>4 > 3 || tables&15 > 3 || f.quantum[i] > 3 {
			return nil, nil, fmt.Errorf("jpeg: broken scan header")
		}
		k := component{dc: f.tables[0][tables>>4], ac: f.tables[1][tables&15], quantum: f.quanta[f.quantum[i]]}
		if k.dc == nil || needAC && (k.ac == nil || k.quantum == nil) {
			return nil, nil, fmt.Errorf("jpeg: scan without its tables")
		}
		c = append(c, k)
	}
	return c, f.scan[1+2*n:], nil
}
