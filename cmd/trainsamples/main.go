// Command trainsamples streams simulated coarse films with their labels to
// standard output, for detect/training/train.py. It never ends by itself.
//
// A record of -kind film is, in this order and without padding: the picture (size² bytes);
// at half that size the planes shaft, femur (bytes), direction x, direction y,
// sign, view (signed bytes, the directions times 127); the film's place in the
// picture (4 uint32: left, top, width, height); the number of landmarks
// (uint32); and 16 landmarks (3 float32: kind, x, y in pixels of the planes),
// all little-endian. A record of -kind trochanter is the patch (a byte a pixel,
// row by row), then visible, x and y (3 float32).
package main

import (
	"bufio"
	"encoding/binary"
	"flag"
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
	kind := flag.String("kind", "film", "film or trochanter")
	flag.Parse()
	w := bufio.NewWriterSize(os.Stdout, 1<<20)
	for i := uint64(0); ; i++ {
		var b []byte
		if *kind == "trochanter" {
			b = patchRecord(simulate.TrochanterPatch(*seed<<32 | i))
		} else {
			b = record(simulate.Coarse(*seed<<32|i, *size))
		}
		if _, err := w.Write(b); err != nil {
			return // the reader has had enough
		}
	}
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
	return append(b, append(marks, make([]byte, 12*most-len(marks))...)...)
}

func patchRecord(p simulate.Patch) []byte {
	b := append([]byte(nil), p.Image...)
	visible := 0.0
	if p.Visible {
		visible = 1
	}
	for _, v := range []float64{visible, p.X, p.Y} {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
	}
	return b
}
