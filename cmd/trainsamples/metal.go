package main

import "shaftgauge/pipeline/simulate"

// otherRecord makes the records of -kind bone or metal.
func otherRecord(kind string, size int, meshes []*simulate.Mesh) func(seed uint64) []byte {
	if kind == "bone" {
		return func(seed uint64) []byte { return boneRecord(simulate.CoarseBone(seed, size, meshes)) }
	}
	return func(seed uint64) []byte { return metalRecord(simulate.NewMetalPatch(seed, meshes)) }
}

// metalRecord is the patch, row by row, then its labels, a byte each, at half
// its size each way.
func metalRecord(p simulate.MetalPatch) []byte {
	return append(append([]byte(nil), p.Image...), p.Label...)
}
