package jpeg

import (
	"encoding/binary"
	"fmt"
	"math"
)

const (
	extendedBits = 12
	blockSide    = 8
	blockArea    = blockSide * blockSide
)

// luminance is the quantisation table of T.81 Table K.1, row by row.
var luminance = [blockArea]int{
	16, 11, 10, 16, 24, 40, 51, 61,
	12, 12, 14, 19, 26, 58, 60, 55,
	14, 13, 16, 24, 40, 57, 69, 56,
	14, 17, 22, 29, 51, 87, 80, 62,
	18, 22, 37, 56, 68, 109, 103, 77,
	24, 35, 55, 64, 81, 104, 113, 92,
	49, 64, 78, 87, 103, 121, 120, 101,
	72, 92, 95, 98, 112, 100, 103, 99,
}

// zigzag[k] is the place, row by row, of the k-th coefficient in coding order
// (T.81 Figure A.6).
var zigzag = func() (order [blockArea]int) {
	x, y, step := 0, 0, 1 // step 1: up and to the right
	for k := range order {
		order[k] = y*blockSide + x
		switch {
		case step == 1 && x == blockSide-1:
			y, step = y+1, -1
		case step == 1 && y == 0:
			x, step = x+1, -1
		case step == -1 && y == blockSide-1:
			x, step = x+1, 1
		case step == -1 && x == 0:
			y, step = y+1, 1
		default:
			x, y = x+step, y-step
		}
	}
	return order
}()

// cosines[u][x] is C(u)/2 · cos((2x+1)uπ/16), so that two products with it make
// the forward DCT of T.81 A.3.3.
var cosines = func() (c [blockSide][blockSide]float64) {
	for u := range c {
		for x := range c[u] {
			c[u][x] = 0.5 * math.Cos(float64(2*x+1)*float64(u)*math.Pi/16)
			if u == 0 {
				c[u][x] /= math.Sqrt2
			}
		}
	}
	return c
}()

// coded is one Huffman symbol with its extra bits.
type coded struct {
	extra  uint16
	symbol byte
	ac     bool
}

// EncodeExtended12 returns the extended sequential DCT JPEG of pix, rows × cols
// samples of 12 bits. Quality runs from 1 to 100 and scales T.81 Table K.1 as
// the Independent JPEG Group's library does (50: the table as it is; 100: all
// ones, an error of a few grey levels).
//
// Source: T.81 Annex A.3 (DCT, quantisation), F.1.2 (Huffman coding).
func EncodeExtended12(pix []uint16, rows, cols, quality int) ([]byte, error) {
	if err := checkFrame(pix, rows, cols); err != nil {
		return nil, err
	}
	if quality < 1 || quality > 100 {
		return nil, fmt.Errorf("jpeg: extended: quality %d, want 1 to 100", quality)
	}
	quant := quantisation(quality)
	symbols := transform(pix, rows, cols, &quant)
	var dcFreq, acFreq [256]int
	for _, c := range symbols {
		if c.ac {
			acFreq[c.symbol]++
		} else {
			dcFreq[c.symbol]++
		}
	}
	dc, ac := fitTable(dcFreq), fitTable(acFreq)

	dqt := []byte{0} // 8-bit entries, table 0
	for _, at := range zigzag {
		dqt = append(dqt, byte(quant[at]))
	}
	out := binary.BigEndian.AppendUint16(nil, markerSOI)
	out = appendSegment(out, markerDQT, dqt...)
	out = appendSegment(out, markerSOF1, frameHeader(extendedBits, rows, cols)...)
	out = appendSegment(out, markerDHT, dc.segment(0)...)
	out = appendSegment(out, markerDHT, ac.segment(1)...)
	out = appendSegment(out, markerSOS, scanHeader(0, blockArea-1)...)
	w := bitWriter{out: out}
	for _, c := range symbols {
		if c.ac {
			w.symbol(ac, c.symbol, uint32(c.extra), uint(c.symbol&15))
		} else {
			w.symbol(dc, c.symbol, uint32(c.extra), uint(c.symbol))
		}
	}
	w.flush()
	return binary.BigEndian.AppendUint16(w.out, markerEOI), nil
}

// quantisation returns Table K.1 scaled to quality, entries 1 to 255.
func quantisation(quality int) (q [blockArea]int) {
	scale := 200 - 2*quality
	if quality < 50 {
		scale = 5000 / quality
	}
	for i, v := range luminance {
		q[i] = min(max((v*scale+50)/100, 1), 255)
	}
	return q
}

// transform returns the symbols of the scan: level shift, DCT, quantisation
// and run-length coding of each block in turn. Blocks that stick out of the
// picture repeat its last column and row.
func transform(pix []uint16, rows, cols int, quant *[blockArea]int) []coded {
	symbols := make([]coded, 0, len(pix)/4)
	var reciprocal [blockArea]float64
	for i, q := range quant {
		reciprocal[i] = 1 / float64(q)
	}
	var block [blockSide][blockSide]float64
	var level [blockArea]int32
	var lastDC int32
	for by := 0; by < rows; by += blockSide {
		for bx := 0; bx < cols; bx += blockSide {
			for y := range block {
				row := pix[min(by+y, rows-1)*cols:]
				for x := range block[y] {
					block[y][x] = float64(row[min(bx+x, cols-1)]) - 1<<(extendedBits-1)
				}
			}
			forwardDCT(&block)
			for i := range level {
				level[i] = int32(math.RoundToEven(block[i/blockSide][i%blockSide] * reciprocal[i]))
			}
			symbols = appendBlock(symbols, &level, lastDC)
			lastDC = level[0]
		}
	}
	return symbols
}

// forwardDCT replaces the block by its coefficients, rows then columns.
func forwardDCT(b *[blockSide][blockSide]float64) {
	for pass := 0; pass < 2; pass++ {
		var t [blockSide][blockSide]float64 // transposed, so that two passes do both directions
		for y := range b {
			r := &b[y]
			for u := range cosines {
				c := &cosines[u]
				t[u][y] = r[0]*c[0] + r[1]*c[1] + r[2]*c[2] + r[3]*c[3] +
					r[4]*c[4] + r[5]*c[5] + r[6]*c[6] + r[7]*c[7]
			}
		}
		*b = t
	}
}

// appendBlock appends the symbols of one block (T.81 F.1.2.1 and F.1.2.2).
func appendBlock(symbols []coded, level *[blockArea]int32, lastDC int32) []coded {
	const (
		endOfBlock = 0x00
		sixteen    = 0xF0 // a run of sixteen zeros
	)
	diff := level[0] - lastDC
	symbols = append(symbols, coded{symbol: category(diff), extra: extraBits(diff)})
	run := 0
	for _, at := range zigzag[1:] {
		v := level[at]
		if v == 0 {
			run++
			continue
		}
		for ; run > 15; run -= 16 {
			symbols = append(symbols, coded{symbol: sixteen, ac: true})
		}
		symbols = append(symbols, coded{symbol: byte(run<<4) | category(v), extra: extraBits(v), ac: true})
		run = 0
	}
	if run > 0 {
		symbols = append(symbols, coded{symbol: endOfBlock, ac: true})
	}
	return symbols
}

// extraBits returns the bits that follow the category of v: v itself, or v − 1
// where it is negative.
func extraBits(v int32) uint16 {
	if v < 0 {
		v--
	}
	return uint16(v)
}
