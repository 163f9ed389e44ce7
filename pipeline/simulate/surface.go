package simulate

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// ReadMeshes reads the femurs of a folder, *.stl in the order of their names.
func ReadMeshes(folder string) ([]*Mesh, error) {
	names, err := filepath.Glob(filepath.Join(folder, "*.stl"))
	if err != nil || len(names) == 0 {
		return nil, fmt.Errorf("simulate: no *.stl in %s", folder)
	}
	var out []*Mesh
	for _, name := range names {
		m, err := readMesh(name)
		if err != nil {
			return nil, fmt.Errorf("simulate: %s: %w", name, err)
		}
		out = append(out, m)
	}
	return out, nil
}

func readMesh(name string) (*Mesh, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return ReadSTL(f)
}

// WithSurface returns s with a femur of varied shape like m in place of its
// first, cortex and soft tissue fitted to it. It takes neither implants nor
// breaks nor thickenings.
func (s Scene) WithSurface(rng *rand.Rand, m *Mesh) Scene {
	s = s.WithMesh(m.Varied(rng))
	s.Legs[0].Anatomy.dress(rng, s.Legs[0].Mesh)
	return s
}
