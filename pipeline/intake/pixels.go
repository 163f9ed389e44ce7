package intake

import (
	"encoding/binary"
	"fmt"
	"math"
	"unsafe"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/intake/part10"
)

// pixelModule is what the Image Pixel module and the modules about grey values
// say (PS3.3 C.7.6.3, C.7.5.1.1.2, C.11.1).
type pixelModule struct {
	rows, cols, frames      int
	samples                 int
	allocated, stored, high int // bits; high is the highest bit's number
	signed                  bool
	planar                  bool // colour by plane
	photometric             string
	linear                  bool

	padded   bool
	pad      [2]int // lowest and highest padding value
	outside  bool   // the padding value lies outside the stored bits: padWord
	padWord  uint16
	negative bool // rescale slope below 0
	table    *modalityTable
	sign     int    // Pixel Intensity Relationship Sign, 0 when absent
	lutShape string // Presentation LUT Shape
}

// modalityTable is a Modality LUT (PS3.3 C.11.1.1).
type modalityTable struct {
	first  int // stored value of the first entry
	bits   int
	values []uint16
}

func readPixelModule(f *part10.File) (*pixelModule, error) {
	d := f.Data
	num := func(t tag.Tag, missing int) int {
		if v, ok := d.Int(t); ok {
			return v
		}
		return missing
	}
	p := &pixelModule{
		rows:        num(tag.Rows, 0),
		cols:        num(tag.Columns, 0),
		frames:      num(tag.NumberOfFrames, 1),
		samples:     num(tag.SamplesPerPixel, 1),
		allocated:   num(tag.BitsAllocated, 0),
		signed:      num(tag.PixelRepresentation, 0) == 1,
		planar:      num(tag.PlanarConfiguration, 0) == 1,
		photometric: d.Text(tag.PhotometricInterpretation),
		linear:      d.Text(tag.PixelIntensityRelationship) == "LIN",
		sign:        num(tag.PixelIntensityRelationshipSign, 0),
		lutShape:    d.Text(tag.PresentationLUTShape),
	}
	if p.frames == 0 { // written by some for a single frame
		p.frames = 1
	}
	p.stored = num(tag.BitsStored, p.allocated)
	p.high = num(tag.HighBit, p.stored-1)
	if p.stored < 1 || p.stored > p.allocated || p.high < p.stored-1 || p.high >= p.allocated {
		return nil, unreadable("%d bits allocated, %d stored, high bit %d", p.allocated, p.stored, p.high)
	}
	if p.allocated != 8 && p.allocated != 16 || p.stored < 2 {
		return nil, unsupported("%d bits allocated, %d stored", p.allocated, p.stored)
	}
	switch p.photometric {
	case "MONOCHROME1", "MONOCHROME2":
		if p.samples != 1 {
			return nil, unreadable("%s with %d samples per pixel", p.photometric, p.samples)
		}
	case "RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT":
		if p.samples != 3 || p.stored != p.allocated || p.signed {
			return nil, unsupported("%s with %d samples of %d bits", p.photometric, p.samples, p.stored)
		}
	default:
		return nil, unsupported("photometric interpretation %q", p.photometric)
	}
	p.readPadding(d)
	return p, p.readModality(d)
}

func (p *pixelModule) colour() bool { return p.samples == 3 }

// readPadding reads Pixel Padding Value and Range Limit (PS3.3 C.7.5.1.1.2),
// whose words are those of stored pixels.
func (p *pixelModule) readPadding(d *part10.Dataset) {
	v, ok := d.Int(tag.PixelPaddingValue)
	if !ok || p.colour() {
		return
	}
	last, ok := d.Int(tag.PixelPaddingRangeLimit)
	if !ok {
		last = v
	}
	if word := uint16(v); p.high == p.stored-1 && uint16(p.value(word))&p.words() != word&p.words() {
		p.outside = true // in bits that hold no values: only the whole word can match
		p.padWord = word & p.words()
		return
	}
	v, last = p.value(uint16(v)), p.value(uint16(last))
	p.padded, p.pad = true, [2]int{min(v, last), max(v, last)}
}

// words masks a word to the bits allocated.
func (p *pixelModule) words() uint16 { return uint16(1<<p.allocated - 1) }

// value reads the low bits of a word as a stored value.
func (p *pixelModule) value(word uint16) int {
	v := int(word) & (1<<p.stored - 1)
	if p.signed && v>>(p.stored-1) == 1 {
		v -= 1 << p.stored
	}
	return v
}

func (p *pixelModule) readModality(d *part10.Dataset) error {
	if items := d.Items(tag.ModalityLUTSequence); len(items) > 0 {
		return p.readTable(items[0])
	}
	if x := d.Numbers(tag.RescaleSlope); len(x) > 0 {
		if math.IsNaN(x[0]) || math.IsInf(x[0], 0) || x[0] == 0 {
			return unreadable("rescale slope %v", x[0])
		}
		p.negative = x[0] < 0
	}
	return nil
}

func (p *pixelModule) readTable(item *part10.Dataset) error {
	about := item.Numbers(tag.LUTDescriptor)
	if len(about) != 3 {
		return unreadable("modality LUT descriptor of %d values", len(about))
	}
	t := &modalityTable{first: int(about[1]), bits: int(about[2])}
	if p.signed {
		t.first = int(int16(uint16(int(about[1]))))
	}
	n := int(uint16(int(about[0])))
	if n == 0 {
		n = 1 << 16
	}
	t.values = item.Words(tag.LUTData)
	if len(t.values)*2 == n || len(t.values)*2 == n+1 { // two 8-bit entries a word
		wide := make([]uint16, 0, n+1)
		for _, w := range t.values {
			wide = append(wide, w&0xFF, w>>8)
		}
		t.values = wide[:n]
	}
	if len(t.values) < n || t.bits < 8 || t.bits > 16 {
		return unreadable("modality LUT of %d entries of %d bits, %d there", n, t.bits, len(t.values))
	}
	t.values = t.values[:n]
	p.table = t
	return nil
}

// polarityConflict says that the header's facts about polarity contradict each
// other. Bone stops x-rays, so where bone is bright, values that the display
// shows bright stand for less intensity: Pixel Intensity Relationship Sign is -1
// with MONOCHROME2 and 1 with MONOCHROME1 (PS3.3 C.8.11.3). Presentation LUT
// Shape must be IDENTITY with MONOCHROME2 and INVERSE with MONOCHROME1 (same
// section).
func (p *pixelModule) polarityConflict() bool {
	one := p.photometric == "MONOCHROME1"
	if p.colour() {
		return false
	}
	if p.sign == 1 && !one || p.sign == -1 && one {
		return true
	}
	return p.lutShape == "INVERSE" && !one || p.lutShape == "IDENTITY" && one
}

// invert says that stored values must be turned over to show bone bright.
func (p *pixelModule) invert() bool { return (p.photometric == "MONOCHROME1") != p.negative }

// present turns stored words into the film's values, in place.
func (p *pixelModule) present(words []uint16) (film Film) {
	film = Film{Pixels: words, Rows: p.rows, Cols: p.cols, Bits: p.stored, Linear: p.linear}
	shift := uint(p.high + 1 - p.stored)
	mask := uint16(1<<p.stored - 1)
	var flip uint16
	if p.signed {
		flip = 1 << (p.stored - 1) // two's complement to offset binary
	}
	if p.invert() {
		flip ^= mask
	}
	if p.table == nil && !p.padded && !p.outside {
		maskWords(words, shift, mask, flip)
		return film
	}

	if p.table != nil {
		film.Bits = p.table.bits
	}
	look := make([]uint16, 1<<p.stored)
	padding := make([]bool, 1<<p.stored)
	for raw := range look {
		v := p.value(uint16(raw))
		switch {
		case p.padded && v >= p.pad[0] && v <= p.pad[1]:
			padding[raw] = true
		case p.table != nil:
			look[raw] = p.table.at(v, p.photometric == "MONOCHROME1")
		default:
			look[raw] = uint16(raw) ^ flip
		}
	}
	for i, w := range words {
		if p.outside && w == p.padWord {
			words[i], film.Padded = 0, true
			continue
		}
		raw := w >> shift & mask
		words[i] = look[raw]
		if padding[raw] {
			film.Padded = true
		}
	}
	return film
}

// at looks up the stored value v; values outside take the nearest entry
// (PS3.3 C.11.1.1.1).
func (t *modalityTable) at(v int, invert bool) uint16 {
	i := min(max(v-t.first, 0), len(t.values)-1)
	full := uint16(1<<t.bits - 1)
	out := t.values[i] & full
	if invert {
		out ^= full
	}
	return out
}

// maskWords sets every word w to (w >> shift & mask) ^ flip, four at a time.
func maskWords(words []uint16, shift uint, mask, flip uint16) {
	const lanes = 0x0001000100010001
	m, x := uint64(mask)*lanes, uint64(flip)*lanes
	b := bytesOf(words)
	for len(b) >= 32 {
		q := b[:32]
		for k := 0; k < 32; k += 8 {
			binary.LittleEndian.PutUint64(q[k:], (binary.LittleEndian.Uint64(q[k:])>>shift)&m^x)
		}
		b = b[32:]
	}
	for i := len(words) - len(b)/2; i < len(words); i++ {
		words[i] = words[i]>>shift&mask ^ flip
	}
}

// bytesOf is the memory of words. The machines this builds for (amd64, arm64)
// are little endian, like most files.
func bytesOf(words []uint16) []byte {
	if len(words) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&words[0])), 2*len(words))
}

// widen spreads the bytes that fill the second half of words over all of it.
func widen(words []uint16) {
	b := bytesOf(words)[len(words):]
	for i, v := range b {
		words[i] = uint16(v)
	}
}

// grey turns red, green and blue words (or luminance and two colour
// differences) into luminance, ITU-R BT.601.
func (p *pixelModule) grey(words []uint16, luminance bool) []uint16 {
	n := p.rows * p.cols
	out := make([]uint16, n)
	for i := range out {
		c := words[3*i : 3*i+3]
		if luminance {
			out[i] = c[0]
		} else {
			out[i] = luma(c[0], c[1], c[2])
		}
	}
	return out
}

// luma is the BT.601 luminance of a colour, rounded.
func luma(r, g, b uint16) uint16 {
	return uint16((299*uint32(r) + 587*uint32(g) + 114*uint32(b) + 500) / 1000)
}

func (p *pixelModule) String() string {
	return fmt.Sprintf("%d x %d, %d of %d bits, %s", p.cols, p.rows, p.stored, p.allocated, p.photometric)
}
