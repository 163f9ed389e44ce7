// Command trainsamples streams simulated training samples with their labels to
// standard output, for the programs in detect/training. It never ends by itself.
//
// A record of -kind film is, in this order and without padding: the picture (size² bytes);
// at half that size the planes shaft, femur (bytes), direction x, direction y,
// sign, view (signed bytes, the directions times 127); the film's place in the
// picture (4 uint32: left, top, width, height); the number of landmarks
// (uint32); 16 landmarks (3 float32: kind, x, y in pixels of the planes); the
// millimetres on the detector of a pixel of the picture (float32); and the kind of
// picture (uint32: 0 with a femur, else its place among simulate.Negatives from 1);
// all little-endian. A record of a patch (-kind trochanter or knee) is the
// picture (a byte a pixel, row by row), then for each of the kind's landmarks
// its state (1 seen, 0 not there, −1 not known), x and y (3 float32), then the
// leg's turn in degrees (float32).
//
// Records of -kind metal, cortex and hip: see metalRecord, cortexRecords and hipRecord.
//
// With -meshes, all kinds show also the femur surfaces (binary STL) of that folder,
// varied in shape.
package main

import (
	"bufio"
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"os"

	"shaftgauge/pipeline/simulate"
)

// kinds are the landmarks in the order of the network's planes.
var kinds = []string{"lesser_trochanter", "head_centre", "neck_centre", "greater_trochanter",
	"condyle_lateral", "condyle_medial", "knee_centre"}

const most = 16 // landmarks in a record

func main() {
	seed := flag.Uint64("seed", 1, "number of the stream; streams share no sample")
	size := flag.Int("size", 256, "side of the picture in pixels")
	kind := flag.String("kind", "film", "film, metal, cortex, hip, trochanter or knee")
	folder := flag.String("meshes", "", "folder with femur surfaces (*.stl)")
	flag.Parse()
	if err := stream(*kind, *folder, *seed, *size); err != nil {
		fmt.Fprintln(os.Stderr, "trainsamples:", err)
		os.Exit(1)
	}
}

func stream(kind, folder string, seed uint64, size int) error {
	w := bufio.NewWriterSize(os.Stdout, 1<<20)
	meshes, err := readMeshes(folder)
	if err != nil {
		return err
	}
	var next func(seed uint64) []byte
	switch kind {
	case "film":
		next = func(seed uint64) []byte { return record(simulate.Coarse(seed, size, meshes)) }
	case "metal":
		next = func(seed uint64) []byte { return metalRecord(simulate.NewMetalPatch(seed, meshes)) }
	case "hip":
		next = func(seed uint64) []byte { return hipRecord(simulate.NewHipLayers(seed, meshes)) }
	case "cortex":
		next = func(seed uint64) []byte { return cortexRecords(simulate.NewStrips(seed, meshes)) }
	}
	for _, k := range simulate.PatchKinds {
		if k.Name == kind {
			next = func(seed uint64) []byte { return patchRecord(simulate.NewPatch(k, seed, meshes)) }
		}
	}
	if next == nil {
		return fmt.Errorf("no kind %q", kind)
	}
	for i := uint64(0); ; i++ {
		if _, err := w.Write(next(seed<<32 | i)); err != nil {
			return nil // the reader has had enough
		}
	}
}

// readMeshes reads the surfaces of a folder; none where that is not named.
func readMeshes(folder string) ([]*simulate.Mesh, error) {
	if folder == "" {
		return nil, nil
	}
	return simulate.ReadMeshes(folder)
}

func record(s simulate.Sample) []byte {
	b := append([]byte(nil), s.Image...)
	b = append(b, s.Shaft...)
	b = append(b, s.Femur...)
	for _, plane := range [][]float32{s.DirX, s.DirY} {
		for _, v := range plane {
			b = append(b, byte(int8(math.Round(float64(v)*127))))
		}
	}
	for _, v := range s.Sign {
		b = append(b, byte(v))
	}
	b = append(b, s.View...)
	for _, v := range s.Film {
		b = binary.LittleEndian.AppendUint32(b, uint32(v))
	}
	var marks []byte
	count := uint32(0)
	for _, f := range s.Femurs {
		for k, name := range kinds {
			if m, ok := f.Landmarks[name]; ok && m.Visible && count < most {
				for _, v := range []float64{float64(k), (m.X - 0.5) / 2, (m.Y - 0.5) / 2} {
					marks = binary.LittleEndian.AppendUint32(marks, math.Float32bits(float32(v)))
				}
				count++
			}
		}
	}
	b = binary.LittleEndian.AppendUint32(b, count)
	b = append(b, append(marks, make([]byte, 12*most-len(marks))...)...)
	b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(s.Pitch)))
	return binary.LittleEndian.AppendUint32(b, uint32(s.NegativeIndex()))
}

func patchRecord(p simulate.Patch) []byte {
	b := append([]byte(nil), p.Image...)
	for _, m := range p.Marks {
		for _, v := range []float64{m.State, m.X, m.Y} {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
		}
	}
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(p.Turn)))
}
