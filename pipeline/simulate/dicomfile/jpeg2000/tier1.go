package jpeg2000

import "math/bits"

// Contexts (Table D.7): 0 to 8 significance, 9 to 13 sign, 14 to 16 magnitude
// refinement, then the run and the uniform context.
const (
	contextSign       = 9
	contextRefinement = 14
	contextRun        = 17
	contextUniform    = 18
	contextCount      = 19
)

// What is known of a coefficient and its neighbours.
const (
	northSignificant = 1 << iota
	southSignificant
	westSignificant
	eastSignificant
	northWest
	northEast
	southWest
	southEast
	northNegative
	southNegative
	westNegative
	eastNegative
	significant
	refined
	visited // coded in this bit-plane's significance pass

	anyNeighbour = 0xFF
)

// significanceContexts is Table D.1 by orientation and the eight neighbours.
var significanceContexts = func() (t [4][256]uint8) {
	for o := range t {
		for f := range t[o] {
			has := func(bit int) int {
				if f&bit != 0 {
					return 1
				}
				return 0
			}
			h := has(westSignificant) + has(eastSignificant)
			v := has(northSignificant) + has(southSignificant)
			d := has(northWest) + has(northEast) + has(southWest) + has(southEast)
			if orientation(o) == hl {
				h, v = v, h
			}
			if orientation(o) == hh {
				t[o][f] = diagonalContext(h+v, d)
			} else {
				t[o][f] = straightContext(h, v, d)
			}
		}
	}
	return t
}()

func straightContext(h, v, d int) uint8 {
	switch {
	case h == 2:
		return 8
	case h == 1 && v >= 1:
		return 7
	case h == 1 && d >= 1:
		return 6
	case h == 1:
		return 5
	case v == 2:
		return 4
	case v == 1:
		return 3
	}
	return uint8(min(d, 2))
}

func diagonalContext(hv, d int) uint8 {
	switch {
	case d >= 3:
		return 8
	case d == 2:
		return 6 + uint8(min(hv, 1))
	case d == 1:
		return 3 + uint8(min(hv, 2))
	}
	return uint8(min(hv, 2))
}

// signContexts is Tables D.2 and D.3 by the four straight neighbours:
// significance in the low, sign in the high half of the index.
var signContexts = func() (t [256]struct{ context, flip uint8 }) {
	for i := range t {
		contribution := func(a, b int) int {
			sum := 0
			for _, bit := range []int{a, b} {
				switch {
				case i&bit == 0:
				case i&(bit<<4) != 0:
					sum--
				default:
					sum++
				}
			}
			return min(max(sum, -1), 1)
		}
		h := contribution(westSignificant, eastSignificant)
		v := contribution(northSignificant, southSignificant)
		if h < 0 || h == 0 && v < 0 {
			t[i].flip = 1
			h, v = -h, -v
		}
		// (h, v): (0,0) 9, (0,1) 10, (1,−1) 11, (1,0) 12, (1,1) 13
		t[i].context = uint8(contextSign + 3*h + v)
	}
	return t
}()

const (
	pitch  = blockSide + 2
	stripe = 4
)

// blockCoder codes code-blocks (Annex D), one after another.
type blockCoder struct {
	mq        mqEncoder
	w, h      int
	flags     [pitch * pitch]uint16 // with a rim of one
	magnitude [pitch * pitch]uint32
	negative  [pitch * pitch]bool
	zero      *[256]uint8
	plane     uint // the bit-plane being coded
}

// code codes b's coefficients and fills in its planes and data.
func (c *blockCoder) code(b *block, plane []int32, stride int, o orientation) {
	clear(c.flags[:])
	c.w, c.h = b.w, b.h
	c.zero = &significanceContexts[o]
	var all uint32
	for y := range b.h {
		row := plane[(b.y+y)*stride+b.x:]
		for x := range b.w {
			v := row[x]
			i := (y+1)*pitch + x + 1
			c.negative[i] = v < 0
			if v < 0 {
				v = -v
			}
			c.magnitude[i] = uint32(v)
			all |= uint32(v)
		}
	}
	b.planes = bits.Len32(all)
	b.data = nil
	if b.planes == 0 {
		return
	}
	c.mq.reset()
	c.mq.state = [contextCount]uint8{0: 2 * 4, contextRun: 2 * 3, contextUniform: 2 * 46} // Table D.7
	for p := b.planes - 1; p >= 0; p-- {
		c.plane = uint(p)
		if p < b.planes-1 {
			c.significancePass()
			c.refinementPass()
		}
		c.cleanupPass()
	}
	b.data = c.mq.flush()
}

func (c *blockCoder) bit(i int) uint32 { return c.magnitude[i] >> c.plane & 1 }

// becomeSignificant codes the sign of coefficient i and tells its neighbours
// (D.3.2).
func (c *blockCoder) becomeSignificant(i int) {
	f := &c.flags
	s := signContexts[f[i]&0xF|f[i]>>4&0xF0]
	var sign uint32
	if c.negative[i] {
		sign = 1
		f[i-pitch] |= southNegative
		f[i+pitch] |= northNegative
		f[i-1] |= eastNegative
		f[i+1] |= westNegative
	}
	c.mq.encode(s.context, sign^uint32(s.flip))
	f[i] |= significant
	f[i-pitch-1] |= southEast
	f[i-pitch] |= southSignificant
	f[i-pitch+1] |= southWest
	f[i-1] |= eastSignificant
	f[i+1] |= westSignificant
	f[i+pitch-1] |= northEast
	f[i+pitch] |= northSignificant
	f[i+pitch+1] |= northWest
}

// significancePass is D.3.1.
func (c *blockCoder) significancePass() {
	for y0 := 0; y0 < c.h; y0 += stripe {
		rows := min(stripe, c.h-y0)
		for x := range c.w {
			i := (y0+1)*pitch + x + 1
			for range rows {
				if f := c.flags[i]; f&significant == 0 && f&anyNeighbour != 0 {
					d := c.bit(i)
					c.mq.encode(c.zero[f&anyNeighbour], d)
					if d == 1 {
						c.becomeSignificant(i)
					}
					c.flags[i] |= visited
				}
				i += pitch
			}
		}
	}
}

// refinementPass is D.3.3.
func (c *blockCoder) refinementPass() {
	for y0 := 0; y0 < c.h; y0 += stripe {
		rows := min(stripe, c.h-y0)
		for x := range c.w {
			i := (y0+1)*pitch + x + 1
			for range rows {
				if f := c.flags[i]; f&(significant|visited) == significant {
					context := uint8(contextRefinement)
					switch {
					case f&refined != 0:
						context += 2
					case f&anyNeighbour != 0:
						context++
					}
					c.mq.encode(context, c.bit(i))
					c.flags[i] |= refined
				}
				i += pitch
			}
		}
	}
}

// cleanupPass is D.3.4. It forgets who was visited.
func (c *blockCoder) cleanupPass() {
	for y0 := 0; y0 < c.h; y0 += stripe {
		rows := min(stripe, c.h-y0)
		for x := range c.w {
			i := (y0+1)*pitch + x + 1
			from := 0
			f := &c.flags
			if rows == stripe && f[i]|f[i+pitch]|f[i+2*pitch]|f[i+3*pitch] == 0 {
				from = c.run(i)
			}
			i += from * pitch
			for range rows - from {
				if f := c.flags[i]; f&(significant|visited) == 0 {
					d := c.bit(i)
					c.mq.encode(c.zero[f&anyNeighbour], d)
					if d == 1 {
						c.becomeSignificant(i)
					}
				}
				c.flags[i] &^= visited
				i += pitch
			}
		}
	}
}

// run codes a column of four coefficients without significant neighbours, up
// to its first that becomes significant, and returns how many that makes.
func (c *blockCoder) run(i int) int {
	for n := range stripe {
		if c.bit(i+n*pitch) == 1 {
			c.mq.encode(contextRun, 1)
			c.mq.encode(contextUniform, uint32(n>>1))
			c.mq.encode(contextUniform, uint32(n&1))
			c.becomeSignificant(i + n*pitch)
			return n + 1
		}
	}
	c.mq.encode(contextRun, 0)
	return stripe
}
