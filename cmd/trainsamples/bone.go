package main

import (
	"encoding/binary"
	"math"

	"shaftgauge/pipeline/simulate"
)

// boneRecord is a record of -kind film with two numbers more: the millimetres on
// the detector of a pixel of the picture (float32), and the kind of picture
// (uint32: 0 with a femur, else its place among simulate.Negatives from 1).
func boneRecord(s simulate.Sample) []byte {
	b := record(s)
	b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(s.Pitch)))
	return binary.LittleEndian.AppendUint32(b, uint32(s.NegativeIndex()))
}
