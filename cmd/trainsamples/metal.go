package main

import (
	"encoding/binary"
	"math"

	"shaftgauge/pipeline/simulate"
)

// What a unit of a layer's square root (metal, mm, and what is worn) and of the
// body's attenuation is stored as.
const (
	metalUnit = 40
	wornUnit  = 100
	bodyUnit  = 2000
)

// metalRecord is the layers of a patch, row by row: the body's attenuation (int16),
// then the implant's metal and what is worn, the square root of each a byte; then
// the implant's kind (a byte).
func metalRecord(p simulate.MetalPatch) []byte {
	b := make([]byte, 0, 4*len(p.Body)+1)
	for _, v := range p.Body {
		b = binary.LittleEndian.AppendUint16(b, uint16(max(0, min(math.MaxInt16, bodyUnit*v+0.5))))
	}
	for _, l := range []struct {
		v    []float32
		unit float64
	}{{p.Metal, metalUnit}, {p.Worn, wornUnit}} {
		for _, v := range l.v {
			b = append(b, byte(min(255, l.unit*math.Sqrt(float64(v))+0.5)))
		}
	}
	return append(b, p.Kind)
}
