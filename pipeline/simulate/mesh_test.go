package simulate

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"shaftgauge/measure"
)

// Surfaces of real femurs are no part of this repository. Where
// SHAFTGAUGE_MESHES names a folder of STL files (left femurs in mm, X lateral, Y
// proximal, Z anterior), they are read and a film of each has its truth.
func TestMeshesOfRealFemurs(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(os.Getenv("SHAFTGAUGE_MESHES"), "*.stl"))
	if os.Getenv("SHAFTGAUGE_MESHES") == "" || len(files) == 0 {
		t.Skip("SHAFTGAUGE_MESHES names no folder of STL files")
	}
	for _, name := range files {
		r, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		m, err := ReadSTL(r)
		r.Close()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, group := range []string{"ap_full", "lat_full"} {
			s := Draw(rand.New(rand.NewPCG(2, uint64(i))), group).WithMesh(m)
			st := s.stage()
			tr := st.truth(s.Plate.grid())
			if len(tr.Femurs) != 1 {
				t.Errorf("%s %s: %d femurs", name, group, len(tr.Femurs))
				continue
			}
			f := tr.Femurs[0]
			// An adult's shaft: outer width 24 … 40 mm (with magnification up to 45), anterior bow.
			if w := f.Values[measure.IsthmusOuterWidth]; w != 0 && (w < 22 || w > 46) {
				t.Errorf("%s %s: outer width at the isthmus %.1f mm", name, group, w)
			}
			if k := f.Values[measure.BowCurvature]; group == "lat_full" && k < 0 {
				t.Errorf("%s: anterior bow %.2f per m", name, k)
			}
			if _, ok := f.Landmarks["lesser_trochanter"]; !ok {
				t.Errorf("%s %s: no lesser trochanter", name, group)
			}
		}
	}
}

func TestReadSTLRefuses(t *testing.T) {
	header := func(n uint32) []byte {
		b := make([]byte, 84)
		binary.LittleEndian.PutUint32(b[80:], n)
		return b
	}
	for name, data := range map[string][]byte{"empty": nil, "short": header(500), "giant": header(math.MaxUint32), "flat": append(header(200), make([]byte, 200*50)...)} {
		if _, err := ReadSTL(bytes.NewReader(data)); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
