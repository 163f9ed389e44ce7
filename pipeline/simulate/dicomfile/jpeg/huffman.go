package jpeg

// table is a Huffman table: the code of each of its symbols, and the lists
// that a DHT segment carries.
type table struct {
	counts  [16]int // codes of length 1 … 16 (BITS)
	symbols []byte  // in order of their codes (HUFFVAL)
	code    [256]uint16
	size    [256]uint8 // 0: the symbol has no code
}

// newTable returns the table whose lists are counts and symbols.
//
// Source: T.81 Annex C, Figures C.1 to C.3.
func newTable(counts [16]int, symbols []byte) *table {
	t := &table{counts: counts, symbols: symbols}
	var code uint16
	k := 0
	for l, n := range counts {
		for range n {
			t.code[symbols[k]] = code
			t.size[symbols[k]] = uint8(l + 1)
			code++
			k++
		}
		code <<= 1
	}
	return t
}

// fitTable returns a table with the shortest codes, of at most 16 bits, for
// symbols that occur freq times. No code consists of 1s only.
//
// Source: T.81 K.2, Figures K.1 to K.4.
func fitTable(freq [256]int) *table {
	const reserved = 256 // a symbol that takes the code of all 1s
	var f [257]int
	copy(f[:], freq[:])
	f[reserved] = 1
	var codesize, next [257]int
	for i := range next {
		next[i] = -1
	}
	for {
		v1, v2 := leastTwo(&f)
		if v2 < 0 {
			break
		}
		f[v1] += f[v2]
		f[v2] = 0
		for ; ; v1 = next[v1] {
			codesize[v1]++
			if next[v1] < 0 {
				break
			}
		}
		next[v1] = v2
		for ; v2 >= 0; v2 = next[v2] {
			codesize[v2]++
		}
	}

	var bits [258]int
	for _, n := range codesize {
		bits[n]++
	}
	bits[0] = 0
	for i := 257; i > 16; i-- {
		for bits[i] > 0 {
			j := i - 2
			for bits[j] == 0 {
				j--
			}
			bits[i] -= 2
			bits[i-1]++
			bits[j+1] += 2
			bits[j]--
		}
	}
	longest := 16
	for bits[longest] == 0 {
		longest--
	}
	bits[longest]-- // the reserved code

	var counts [16]int
	copy(counts[:], bits[1:17])
	var symbols []byte
	for l := 1; l < 257; l++ {
		for s := range 256 {
			if codesize[s] == l {
				symbols = append(symbols, byte(s))
			}
		}
	}
	return newTable(counts, symbols)
}

// leastTwo returns the rarest symbol and the next rarest (of equals the larger
// symbol), −1 where there is none.
func leastTwo(f *[257]int) (v1, v2 int) {
	v1, v2 = -1, -1
	for i, n := range f {
		switch {
		case n == 0:
		case v1 < 0 || n <= f[v1]:
			v1, v2 = i, v1
		case v2 < 0 || n <= f[v2]:
			v2 = i
		}
	}
	return v1, v2
}

// segment returns the parameters of the table's DHT segment (T.81 B.2.4.2).
// class is 0 for a DC or lossless table, 1 for an AC table.
func (t *table) segment(class byte) []byte {
	p := []byte{class << 4}
	for _, n := range t.counts {
		p = append(p, byte(n))
	}
	return append(p, t.symbols...)
}

// bitWriter appends bits, most significant first, and stuffs a zero byte after
// each 0xFF (T.81 F.1.2.3).
type bitWriter struct {
	out []byte
	acc uint64
	n   uint // bits held in acc, below 32 between calls
}

// put appends the low n bits of v, n at most 32.
func (w *bitWriter) put(v uint32, n uint) {
	w.acc = w.acc<<n | uint64(v)&(1<<n-1)
	for w.n += n; w.n >= 8; {
		w.n -= 8
		b := byte(w.acc >> w.n)
		w.out = append(w.out, b)
		if b == 0xFF {
			w.out = append(w.out, 0)
		}
	}
}

// symbol appends the code of s and then the low n bits of extra.
func (w *bitWriter) symbol(t *table, s byte, extra uint32, n uint) {
	w.put(uint32(t.code[s])<<n|extra&(1<<n-1), uint(t.size[s])+n)
}

// flush pads the last byte with 1s.
func (w *bitWriter) flush() {
	if w.n > 0 {
		w.put(0xFF, 8-w.n)
	}
}
