package main

import (
	"encoding/binary"
	"math"

	"shaftgauge/pipeline/simulate"
)

// hipRecord is the planes of cortical and cancellous bone and of what lies over
// it in 1/256 mm, that of soft tissue in 1/64 mm, row by row (int16), then the
// landmarks and the turn as in patchRecord.
func hipRecord(h simulate.HipLayers) []byte {
	var b []byte
	for _, p := range []struct {
		v    []float64
		unit float64
	}{{h.Cortical, 256}, {h.Cancellous, 256}, {h.Over, 256}, {h.Soft, 64}} {
		for _, v := range p.v {
			v = math.Round(max(-math.MaxInt16, min(math.MaxInt16, v*p.unit)))
			b = binary.LittleEndian.AppendUint16(b, uint16(int16(v)))
		}
	}
	return append(b, patchRecord(simulate.Patch{Marks: h.Marks, Turn: h.Turn})...)
}
