package dicomfile

import (
	"io"
	"testing"

	"shaftgauge/pipeline/simulate"
)

// BenchmarkWrite stores a film of 3000 × 2500 pixels, 16 bits where the syntax
// can.
func BenchmarkWrite(b *testing.B) {
	films := map[int]simulate.Film{}
	for _, bits := range []int{8, 12, 16} {
		films[bits] = testFilm(simulate.ComputedRadiography, bits, 3000, 2500)
	}
	for _, s := range Syntaxes() {
		bits := 16
		switch s {
		case JPEGBaseline:
			bits = 8
		case JPEGExtended:
			bits = 12
		}
		b.Run(s.String(), func(b *testing.B) {
			for b.Loop() {
				if err := Write(io.Discard, films[bits], s, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
