package main

import (
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/pipeline/simulate"
)

// Every group is in turn, and the films of surfaces only where there are any.
func TestMix(t *testing.T) {
	plain, more := mix(false), mix(true)
	for _, g := range append(simulate.Groups(), thickeningLow) {
		if !slices.Contains(plain, g) {
			t.Errorf("no film of %s", g)
		}
	}
	surfaces := 0
	for _, g := range more {
		if g == surfaceGroup {
			surfaces++
		}
	}
	if slices.Contains(plain, surfaceGroup) || surfaces != surfacesInTurn || len(more) != len(plain)+surfacesInTurn {
		t.Errorf("%d films of surfaces among %d", surfaces, len(more))
	}
}

// The low thickenings are drawn as low as the group says.
func TestLowThickenings(t *testing.T) {
	s := simulation{unseen: true}
	for i := range uint64(20) {
		scene := s.scene(rand.New(rand.NewPCG(4, i)), thickeningLow)
		focal := scene.Legs[0].Anatomy.Focal
		if scene.Group != thickeningLow || len(focal) == 0 {
			t.Fatalf("group %s with %d thickenings", scene.Group, len(focal))
		}
		if h := focal[0].Height; h < 0.7 || h > 0.9 {
			t.Errorf("height %.2f mm", h)
		}
	}
}
