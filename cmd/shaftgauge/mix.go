package main

import (
	"math/rand/v2"

	"shaftgauge/pipeline/simulate"
)

// Groups that verify makes out of others.
const (
	thickeningLow = "thickening_low" // thickenings of about 0.8 mm
	surfaceGroup  = "surface"        // femurs of a folder of surfaces
)

// surfaced are the groups that a surface's films are like.
var surfaced = []string{"ap_hip", "lat_full", "ap_full", "ap_long", "lat_hip", "turned", "ap_proximal", "lat_long", "low_dose", "ap_distal"}

// extra are the groups of which verify makes more films than of the others, once
// for each time they are named: what has few true values a film.
var extra = []string{
	simulate.NegativeGroup, "thickening", "ap_long", thickeningLow, simulate.NegativeGroup, "implant",
	"thickening", thickeningLow, "ap_hip", simulate.NegativeGroup, "ap_long", "thickening",
	thickeningLow, simulate.NegativeGroup, "implant_lat", "thickening", "ap_long", thickeningLow,
	simulate.NegativeGroup, "low_dose", "implant", "thickening",
}

// surfacesInTurn is how many films of surfaces there are among each turn of the
// groups.
const surfacesInTurn = 6

// mix is the order in which verify takes the groups in turn.
func mix(surfaces bool) []string {
	groups, more := simulate.Groups(), extra
	if surfaces {
		for range surfacesInTurn {
			groups = append(groups, surfaceGroup)
		}
	}
	var out []string
	for i := range max(len(groups), len(more)) {
		if i < len(groups) {
			out = append(out, groups[i])
		}
		if i < len(more) {
			out = append(out, more[i])
		}
	}
	return out
}

// groups lists the groups that can be asked for.
func (s *simulation) groups() []string {
	out := append(simulate.Groups(), thickeningLow)
	if len(s.surfaces) > 0 {
		out = append(out, surfaceGroup)
	}
	return out
}

// scene draws a scene of a group of the mix.
func (s *simulation) scene(rng *rand.Rand, group string) simulate.Scene {
	draw := simulate.Draw
	if s.unseen {
		draw = simulate.DrawUnseen
	}
	switch group {
	case thickeningLow:
		out := draw(rng, "thickening")
		out.Group = group
		for i := range out.Legs[0].Anatomy.Focal {
			out.Legs[0].Anatomy.Focal[i].Height = 0.7 + 0.2*rng.Float64()
		}
		return out
	case surfaceGroup:
		m := s.surfaces[rng.IntN(len(s.surfaces))]
		out := draw(rng, surfaced[rng.IntN(len(surfaced))]).WithSurface(rng, m)
		out.Group = group
		return out
	}
	return draw(rng, group)
}
