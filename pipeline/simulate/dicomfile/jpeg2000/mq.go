package jpeg2000

import "math/bits"

// mqState is a row of Table C.2 for one sense of the more probable symbol.
// next holds places in mqStates.
type mqState struct {
	qe               uint32
	mps              uint32
	nextMPS, nextLPS uint8
}

// mqStates holds the 47 rows twice: row i with MPS m is at 2i + m.
var mqStates = func() (s [94]mqState) {
	rows := [47]struct {
		qe         uint32
		nmps, nlps uint8
		swap       bool
	}{
		{0x5601, 1, 1, true}, {0x3401, 2, 6, false}, {0x1801, 3, 9, false}, {0x0AC1, 4, 12, false},
		{0x0521, 5, 29, false}, {0x0221, 38, 33, false}, {0x5601, 7, 6, true}, {0x5401, 8, 14, false},
		{0x4801, 9, 14, false}, {0x3801, 10, 14, false}, {0x3001, 11, 17, false}, {0x2401, 12, 18, false},
		{0x1C01, 13, 20, false}, {0x1601, 29, 21, false}, {0x5601, 15, 14, true}, {0x5401, 16, 14, false},
		{0x5101, 17, 15, false}, {0x4801, 18, 16, false}, {0x3801, 19, 17, false}, {0x3401, 20, 18, false},
		{0x3001, 21, 19, false}, {0x2801, 22, 19, false}, {0x2401, 23, 20, false}, {0x2201, 24, 21, false},
		{0x1C01, 25, 22, false}, {0x1801, 26, 23, false}, {0x1601, 27, 24, false}, {0x1401, 28, 25, false},
		{0x1201, 29, 26, false}, {0x1101, 30, 27, false}, {0x0AC1, 31, 28, false}, {0x09C1, 32, 29, false},
		{0x08A1, 33, 30, false}, {0x0521, 34, 31, false}, {0x0441, 35, 32, false}, {0x02A1, 36, 33, false},
		{0x0221, 37, 34, false}, {0x0141, 38, 35, false}, {0x0111, 39, 36, false}, {0x0085, 40, 37, false},
		{0x0049, 41, 38, false}, {0x0025, 42, 39, false}, {0x0015, 43, 40, false}, {0x0009, 44, 41, false},
		{0x0005, 45, 42, false}, {0x0001, 45, 43, false}, {0x5601, 46, 46, false},
	}
	for i, r := range rows {
		for m := range uint8(2) {
			lps := m
			if r.swap {
				lps = 1 - m
			}
			s[2*i+int(m)] = mqState{r.qe, uint32(m), 2*r.nmps + m, 2*r.nlps + lps}
		}
	}
	return s
}()

// mqEncoder is the arithmetic coder of Annex C.
type mqEncoder struct {
	out   []byte // the first byte stands before the data and is dropped
	a, c  uint32
	ct    int
	state [contextCount]uint8 // of each context, a place in mqStates
}

// reset is INITENC (C.2.8).
func (m *mqEncoder) reset() {
	m.out = append(m.out[:0], 0)
	m.a, m.c, m.ct = 0x8000, 0, 12
}

// encode codes one decision in a context (C.2.4 to C.2.6).
func (m *mqEncoder) encode(context uint8, d uint32) {
	st := &m.state[context]
	s := &mqStates[*st]
	m.a -= s.qe
	if d == s.mps {
		if m.a&0x8000 != 0 {
			m.c += s.qe
			return
		}
		if m.a < s.qe {
			m.a = s.qe
		} else {
			m.c += s.qe
		}
		*st = s.nextMPS
	} else {
		if m.a < s.qe {
			m.c += s.qe
		} else {
			m.a = s.qe
		}
		*st = s.nextLPS
	}
	n := bits.LeadingZeros16(uint16(m.a)) // RENORME
	for m.a <<= n; n >= m.ct; {
		m.c <<= m.ct
		n -= m.ct
		m.byteOut()
	}
	m.c <<= n
	m.ct -= n
}

// byteOut is BYTEOUT (C.2.7).
func (m *mqEncoder) byteOut() {
	last := len(m.out) - 1
	if m.out[last] != 0xFF && m.c&0x8000000 != 0 {
		m.out[last]++
		m.c &= 0x7FFFFFF
	}
	if m.out[last] == 0xFF {
		m.out = append(m.out, byte(m.c>>20))
		m.c &= 0xFFFFF
		m.ct = 7
		return
	}
	m.out = append(m.out, byte(m.c>>19))
	m.c &= 0x7FFFF
	m.ct = 8
}

// flush is FLUSH (C.2.9); it returns a copy of the data.
func (m *mqEncoder) flush() []byte {
	most := m.c + m.a
	m.c |= 0xFFFF
	if m.c >= most {
		m.c -= 0x8000
	}
	for range 2 {
		m.c <<= m.ct
		m.byteOut()
	}
	data := m.out[1:]
	if data[len(data)-1] == 0xFF {
		data = data[:len(data)-1]
	}
	return append([]byte(nil), data...)
}
