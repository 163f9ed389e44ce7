package main

import "shaftgauge/pipeline/simulate"

// metalRecord is the patch, row by row, then its labels, a byte each, at half
// its size each way.
func metalRecord(p simulate.MetalPatch) []byte {
	return append(append([]byte(nil), p.Image...), p.Label...)
}
