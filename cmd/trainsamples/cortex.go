package main

import (
	"encoding/binary"
	"math"

	"shaftgauge/pipeline/simulate"
)

// cortexRecords are the strips of one scene. Each is the picture, row by row, then
// its lucent lines, a byte each, at half its size each way; then for each row of
// those the four edges (outer, inner, and both without thickenings), in columns
// of the picture, the two heights in mm and the rows from there to the peak (7 float32); then for each row the
// states (3 signed bytes: outer edge seen, inner edge seen, thickening).
func cortexRecords(strips []simulate.Strip) []byte {
	var b []byte
	for _, s := range strips {
		b = append(append(b, s.Image...), s.Line...)
		for _, r := range s.Row {
			for _, v := range [7]float64{r.Outer, r.Inner, r.BareOuter, r.BareInner, r.OuterHeight, r.InnerHeight, r.Peak} {
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
			}
		}
		for _, r := range s.Row {
			b = append(b, byte(r.OuterSeen), byte(r.InnerSeen), byte(r.Focal))
		}
	}
	return b
}
