package simulate

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// A pixel of which a quarter is covered lets through what the other three do,
// and what the law of Beer and Lambert leaves of the fourth.
func TestThrough(t *testing.T) {
	x := newPlane(2, 4)
	x.v[0] = 3
	for i := range 2 {
		x.v[2+4*i], x.v[3+4*i] = 2, 2
	}
	got := x.through(0.5).v
	quarter := -math.Log((3+math.Exp(-0.5*3))/4) / 0.5
	if len(got) != 2 || math.Abs(float64(got[0])-quarter) > 1e-6 || math.Abs(float64(got[1])-2) > 1e-6 {
		t.Errorf("through: %v, want %v and 2", got, quarter)
	}
}

// A pin laid over a grid has the chord of a cylinder in its middle, and its place.
func TestPinOver(t *testing.T) {
	g := grid{rows: 40, cols: 60, origin: geom.PointMM{X: 5, Y: -3}, dx: geom.PointMM{X: 0.4, Y: 0.3}, dy: geom.PointMM{X: -0.3, Y: 0.4}}
	x := newPlane(g.rows, g.cols)
	Metal{A: g.place(20, 10), B: g.place(40, 10), Radius: 1.5, Mean: 0.5}.over(x, g)
	for r := range g.rows {
		for c := range g.cols {
			// Within the pin's length only its distance from the axis counts.
			if c < 20 || c > 40 {
				continue
			}
			d := 0.5 * math.Abs(float64(r)-10)
			want := 0.0
			if d < 1.5 {
				want = 0.5 * 2 * math.Sqrt(1.5*1.5-d*d)
			}
			if got := float64(x.v[r*x.cols+c]); math.Abs(got-want) > 1e-5 {
				t.Fatalf("row %d column %d: %v, want %v", r, c, got, want)
			}
		}
	}
}

// An implant's metal lies in its own layer: the body's is the same without it.
func TestMetalLayers(t *testing.T) {
	kinds := map[uint8]int{}
	for seed := range uint64(12) {
		p := NewMetalPatch(seed+1, nil)
		kinds[p.Kind]++
		var metal, body float64
		for i := range p.Metal {
			metal, body = metal+float64(p.Metal[i]), body+float64(p.Body[i])
		}
		if p.Kind == NoMetal && metal > 0 {
			t.Errorf("seed %d: %v mm of metal without an implant", seed+1, metal)
		}
		if body <= 0 {
			t.Errorf("seed %d: no body", seed+1)
		}
	}
	if kinds[NoMetal] == 0 || len(kinds) < 3 {
		t.Errorf("kinds of implants %v: want some without and some of two kinds at least", kinds)
	}
	var layers [2][]float32
	for k, implant := range []Implant{"", Nail} { // a nail takes no bone away
		rng := rand.New(rand.NewPCG(5, 6))
		s := Draw(rng, "ap_full")
		s.Legs[0].Implant = implant
		g, ok := s.metalGrid(rand.New(rand.NewPCG(1, 2)), false)
		if !ok {
			t.Fatal("the patch is off the film")
		}
		layers[k] = s.metalPatch(rand.New(rand.NewPCG(1, 2)), g).Body
	}
	for i, v := range layers[0] {
		if math.Abs(float64(v-layers[1][i])) > 1e-5 {
			t.Fatalf("pixel %d: attenuation of the body %v without a nail, %v with one", i, v, layers[1][i])
		}
	}
}
