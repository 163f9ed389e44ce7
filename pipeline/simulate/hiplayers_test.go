package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The outline of a ball is where rays cease to meet it: medially and above, where
// neither neck nor trochanter lies behind the head, there is bone 2 mm within the
// rim's landmark and none 2 mm beyond.
func TestHipLayersRim(t *testing.T) {
	for seed := range uint64(6) {
		h := NewHipLayers(seed, nil)
		bone := func(x, y float64) float64 {
			i := int(y+0.5)*hipLayerSide + int(x+0.5)
			return h.Cortical[i] + h.Cancellous[i]
		}
		head := h.Marks[0]
		for k := 1; k <= 2; k++ { // rim_proximal, rim_medial
			m := h.Marks[k]
			dx, dy := m.X-head.X, m.Y-head.Y
			r := math.Hypot(dx, dy)
			at := func(mm float64) float64 {
				f := (r + mm/hipLayerMM) / r
				return bone(head.X+f*dx, head.Y+f*dy)
			}
			if k == 2 && at(2) > 0.5 {
				t.Errorf("seed %d: %.2f mm of bone beyond the head's medial rim", seed, at(2))
			}
			if at(-2) < 2 {
				t.Errorf("seed %d, %s: %.2f mm of bone within the head's rim", seed, HipMarks[k], at(-2))
			}
		}
	}
}

// ballMesh is a ball of 24 mm, medial and above the shaft: rings of latitude around
// its axis.
func ballMesh() *Mesh {
	m := &Mesh{Head: vec{-40, 0, -45}}
	for i := range 40 {
		for j := range 40 {
			a, b := math.Pi*float64(i)/39, 2*math.Pi*float64(j)/40
			n := vec{math.Sin(a) * math.Cos(b), math.Sin(a) * math.Sin(b), math.Cos(a)}
			m.Vertices = append(m.Vertices, m.Head.add(n.mul(24)))
			m.Normals = append(m.Normals, n)
		}
	}
	return m
}

// A head that is no ball lies between a ball an eighth longer and one an eighth
// shorter and 4 mm worn off, and some heads leave the ball by more than 2 mm.
func TestEgg(t *testing.T) {
	m := ballMesh()
	most := 0.0
	for seed := range uint64(12) {
		for i, p := range m.egg(rand.New(rand.NewPCG(seed, 2))).Vertices {
			d := p.sub(m.Head).norm()
			if d > 24*1.12 || d < 24*0.88-4-1.5*math.Ln2 {
				t.Fatalf("seed %d: vertex %d is %.1f mm from the centre", seed, i, d)
			}
			most = max(most, abs(d-24))
		}
	}
	if most < 2 {
		t.Errorf("no head leaves the ball by more than %.2f mm", most)
	}
}

// A bump at the neck leaves the far half of the head as it was.
func TestCam(t *testing.T) {
	m := ballMesh()
	axis := m.Head.sub(vec{0, 0, -22}).unit()
	moved := 0.0
	for seed := range uint64(8) {
		out := m.cam(rand.New(rand.NewPCG(seed, 1)))
		for i, p := range out.Vertices {
			d := p.sub(m.Vertices[i]).norm()
			if m.Vertices[i].sub(m.Head).dot(axis) > 0.25*24 && d > 1e-9 {
				t.Fatalf("seed %d: %.2f mm on the far half", seed, d)
			}
			moved = max(moved, d)
		}
	}
	if moved < 1 {
		t.Errorf("no bump is higher than %.2f mm", moved)
	}
}
