package simulate

import (
	"math/rand/v2"
	"slices"
)

// boneFilm is the mixture of [CoarseBone]. Half show no femur, since a network that
// looks for shafts passes many of them by, and most of those what has a shaft of its
// own. Of the femurs, those whose ends are off the film and the lower ones are the
// hardest to tell.
var boneFilm = mixture{negative: 0.55, implant: 0.1, fracture: 0.04,
	kinds: append([]string{"humerus", "humerus", "humerus", "humerus", "lower_leg", "lower_leg", "long_bone", "long_bone", "long_bone",
		"pipe", "pipe", "elbow", "elbow", "elbow", "shoulder", "shoulder", "shoulder", "prosthesis", "rod", "ankle", "finger", "forearm"}, negatives...),
	weight: func(g group) float64 {
		switch {
		case g.from > 100 || g.to-g.from < 100:
			return 2 * g.weight
		case g.implant:
			return 1.5 * g.weight
		}
		return g.weight
	}}

// CoarseBone makes the sample of a seed for a network that tells a femur's shaft
// from whatever else was taken for one: as [Coarse], half of them without a femur.
// Of a mesh it labels the plane Femur alone.
func CoarseBone(seed uint64, size int, meshes []*Mesh) Sample {
	return boneFilm.sample(seed, size, meshes)
}

// withAnyMesh puts one of the meshes, varied in shape, in place of the first
// femur in meshShare of all scenes.
func (s Scene) withAnyMesh(rng *rand.Rand, meshes []*Mesh) Scene {
	if len(meshes) == 0 || rng.Float64() > meshShare {
		return s
	}
	s = s.WithMesh(meshes[rng.IntN(len(meshes))].Varied(rng))
	s.Legs[0].Anatomy.dress(rng, s.Legs[0].Mesh)
	return s
}

// labelMesh marks the pixels of a femur that is a mesh.
func (t *stage) labelMesh(s *Sample, l *stagedLeg, g grid, padX, padY float64) {
	n := s.LabelSize
	outer := l.mesh.profile().outer
	for i := range s.Femur {
		p := g.place(3*float64(i%n)+1-padX, 3*float64(i/n)+1-padY)
		if t.visible(p, g) && outer(p) {
			s.Femur[i] = 1
		}
	}
}

// NegativeIndex is the number of a sample's kind among [Negatives] from 1; 0 for
// a film with a femur.
func (s *Sample) NegativeIndex() int {
	if s.Group != NegativeGroup {
		return 0
	}
	return 1 + slices.Index(Negatives(), s.Content)
}
