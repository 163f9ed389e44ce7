package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A ray through the middle of a ball of 10 mm with a wall of 2 mm: what a plane
// leaves of it is told by subtraction.
func TestShellIsCut(t *testing.T) {
	mid := vec{3, -4, 50}
	for _, c := range []struct {
		name         string
		cuts         []half
		wall, hollow float64
	}{
		{"whole", nil, 4, 16},
		{"beyond 5 mm", []half{{vec{0, 0, 1}, mid.add(vec{0, 0, 5})}}, 2, 3},
		{"up to 9 mm", []half{{vec{0, 0, -1}, mid.add(vec{0, 0, 9})}}, 3, 16},
		{"between 2 and 9 mm", []half{{vec{0, 0, 2}, mid.add(vec{7, 0, 2})}, {vec{0, 0, -1}, mid.add(vec{0, 0, 9})}}, 1, 6},
		{"beside the plane", []half{{vec{1, 0, 0}, mid.add(vec{1, 0, 0})}}, 0, 0},
		{"before the plane", []half{{vec{1, 0, 0}, mid.sub(vec{1, 0, 0})}}, 4, 16},
	} {
		s := shell{outer: sphere(mid, 10), inner: sphere(mid, 8), cuts: c.cuts, dense: 1, fill: 1}
		wall, hollow := s.chord(vec{3, -4, 0}, vec{0, 0, 1})
		if math.Abs(wall-c.wall) > 1e-9 || math.Abs(hollow-c.hollow) > 1e-9 {
			t.Errorf("%s: wall %v, hollow %v, want %v and %v", c.name, wall, hollow, c.wall, c.hollow)
		}
	}
}

// The held-out films have a socket of their own.
func TestSocketsOfUnseenFilms(t *testing.T) {
	for seed := range uint64(20) {
		if s := Draw(rand.New(rand.NewPCG(seed, 1)), "pelvis"); s.Pelvis.Shown && s.Pelvis.Sockets == 0 {
			t.Fatal("a film to learn from has the plain socket")
		}
		if s := DrawUnseen(rand.New(rand.NewPCG(seed, 1)), "pelvis"); s.Pelvis.Sockets != 0 {
			t.Fatal("a held-out film has a socket to learn from")
		}
	}
}
