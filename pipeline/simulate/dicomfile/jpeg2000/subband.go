package jpeg2000

import (
	"errors"
	"math/bits"
	"runtime"
	"sync"
	"sync/atomic"
)

const (
	blockExponent = 6
	blockSide     = 1 << blockExponent
)

// orientation of a sub-band: horizontally, then vertically.
type orientation int

const (
	ll orientation = iota
	hl
	lh
	hh
)

// subband is one sub-band in the plane that decompose leaves: where it lies, its
// quantisation exponent (E.1) and its code-blocks, row by row.
type subband struct {
	orient     orientation
	level      int
	x, y, w, h int
	exponent   int
	across     int // code-blocks in a row
	blocks     []block
}

// gain is log2 of the sub-band gain (Table E.1).
func (b *subband) gain() int { return [...]int{ll: 0, hl: 1, lh: 1, hh: 2}[b.orient] }

// planes is M_b, the number of magnitude bit-planes (E-2).
func (b *subband) planes() int { return guardBits + b.exponent - 1 }

// block is one coded code-block.
type block struct {
	x, y, w, h int // in the plane
	planes     int // magnitude bit-planes with a 1 in them
	data       []byte
}

// passes is the number of coding passes: all bit-planes have three, the first
// only a cleanup (D.3).
func (b *block) passes() int { return max(3*b.planes-2, 0) }

// subbands returns the sub-bands of each resolution, the lowest first (B.5).
func subbands(rows, cols, levels int) [][]subband {
	resolutions := make([][]subband, levels+1)
	w, h := cols, rows
	for level := 1; level <= levels; level++ {
		lw, lhigh := (w+1)/2, (h+1)/2
		resolutions[levels-level+1] = []subband{
			newSubband(hl, level, lw, 0, w-lw, lhigh),
			newSubband(lh, level, 0, lhigh, lw, h-lhigh),
			newSubband(hh, level, lw, lhigh, w-lw, h-lhigh),
		}
		w, h = lw, lhigh
	}
	resolutions[0] = []subband{newSubband(ll, levels, 0, 0, w, h)}
	return resolutions
}

func newSubband(o orientation, level, x, y, w, h int) subband {
	b := subband{orient: o, level: level, x: x, y: y, w: w, h: h, across: (w + blockSide - 1) / blockSide}
	for v := 0; v < h; v += blockSide {
		for u := 0; u < w; u += blockSide {
			b.blocks = append(b.blocks, block{
				x: x + u, y: y + v,
				w: min(blockSide, w-u), h: min(blockSide, h-v),
			})
		}
	}
	return b
}

// codeBlocks codes every code-block, on all cores.
func codeBlocks(plane []int32, stride int, resolutions [][]subband) error {
	type task struct {
		band  *subband
		block *block
	}
	var tasks []task
	for _, r := range resolutions {
		for i := range r {
			for j := range r[i].blocks {
				tasks = append(tasks, task{&r[i], &r[i].blocks[j]})
			}
		}
	}
	var next atomic.Int64
	var overflow atomic.Bool
	var wait sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(tasks)) {
		wait.Go(func() {
			var c blockCoder
			for n := int(next.Add(1)) - 1; n < len(tasks); n = int(next.Add(1)) - 1 {
				t := tasks[n]
				c.code(t.block, plane, stride, t.band.orient)
				if t.block.planes > t.band.planes() {
					overflow.Store(true)
				}
			}
		})
	}
	wait.Wait()
	if overflow.Load() {
		return errors.New("jpeg2000: a coefficient is too large for its guard bits")
	}
	return nil
}

// appendPacket appends the packet of one resolution: header, then the bytes of
// its code-blocks (B.9, B.10).
func appendPacket(out []byte, bands []subband) []byte {
	var w headerWriter
	w.put(1, 1) // the packet is not empty
	for i := range bands {
		b := &bands[i]
		if len(b.blocks) == 0 {
			continue
		}
		inclusion := newTagTree(b.across, len(b.blocks)/b.across)
		zeroPlanes := newTagTree(b.across, len(b.blocks)/b.across)
		for j := range b.blocks {
			layer := 0
			if b.blocks[j].planes == 0 {
				layer = 1
			}
			inclusion.set(j, layer)
			zeroPlanes.set(j, b.planes()-b.blocks[j].planes)
		}
		inclusion.finish()
		zeroPlanes.finish()
		for j := range b.blocks {
			inclusion.write(&w, j, 1)
			if b.blocks[j].planes == 0 {
				continue
			}
			zeroPlanes.write(&w, j, b.planes()+1)
			writePasses(&w, b.blocks[j].passes())
			writeLength(&w, len(b.blocks[j].data), b.blocks[j].passes())
		}
	}
	out = append(out, w.flush()...)
	for _, b := range bands {
		for _, c := range b.blocks {
			out = append(out, c.data...)
		}
	}
	return out
}

// writePasses is Table B.4.
func writePasses(w *headerWriter, n int) {
	switch {
	case n == 1:
		w.put(0, 1)
	case n == 2:
		w.put(0b10, 2)
	case n <= 5:
		w.put(0b11<<2|uint32(n-3), 4)
	case n <= 36:
		w.put(0b1111<<5|uint32(n-6), 9)
	default:
		w.put(0b111111111<<7|uint32(n-37), 16)
	}
}

// writeLength is B.10.7.1: the length of the only codeword segment takes
// Lblock + ⌊log2 passes⌋ bits, where Lblock is 3 and grows by each leading 1.
func writeLength(w *headerWriter, length, passes int) {
	width := 3 + bits.Len(uint(passes)) - 1
	for ; bits.Len(uint(length)) > width; width++ {
		w.put(1, 1)
	}
	w.put(0, 1)
	w.put(uint32(length), uint(width))
}

// headerWriter packs packet header bits; after a byte 0xFF comes a 0 bit
// (B.10.1).
type headerWriter struct {
	out  []byte
	acc  uint32
	n    uint // bits held in acc
	room uint // bits that the byte being filled takes; 0 before the first
}

func (w *headerWriter) put(v uint32, n uint) {
	if w.room == 0 {
		w.room = 8
	}
	for ; n > 0; n-- {
		w.acc = w.acc<<1 | v>>(n-1)&1
		if w.n++; w.n == w.room {
			w.out = append(w.out, byte(w.acc))
			w.room = 8
			if w.acc == 0xFF {
				w.room = 7
			}
			w.acc, w.n = 0, 0
		}
	}
}

// flush fills the last byte with 0s; a byte 0xFF is never the last.
func (w *headerWriter) flush() []byte {
	if w.n > 0 || w.room == 7 {
		w.put(0, w.room-w.n)
	}
	return w.out
}
