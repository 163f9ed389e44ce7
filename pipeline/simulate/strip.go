package simulate

import (
	"math/rand/v2"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Size of a strip: StripRows × StripCols pixels of StripDown mm along the shaft,
// proximal first, and StripAcross mm from lateral to medial. Its reference line,
// a smooth line near the lateral outer edge, runs through column StripLine.
const (
	StripRows, StripCols   = 384, 112
	StripDown, StripAcross = 0.5, 0.2
	StripLine              = 32
)

// stripSides are the sides that strips lie on: mostly the lateral one of AP films,
// where thickenings are looked for; the others teach the edges alone.
var stripSides = []float64{0, 0, 0, 0, 0, 0, 0, 0, 180, 180, 90, -90}

// Strip is a training sample for a network that traces one cortex of a shaft and
// marks focal thickenings and lucent lines on it.
type Strip struct {
	Image []uint8 // StripRows × StripCols, bone bright, stretched to the strip's own contrast
	Line  []uint8 // StripRows/2 × StripCols/2: 1 on a lucent line
	Row   [StripRows / 2]StripRow
}

// StripRow is what is known of 1 mm of a strip, two rows of its picture.
type StripRow struct {
	// Edges in columns of the picture, NaN where there is none; the bare ones are
	// those of the same bone without focal thickenings.
	Outer, Inner, BareOuter, BareInner float64
	OuterSeen, InnerSeen               int8 // 1: there to see, 0: hidden or off the film, −1: not known
	Focal                              int8 // 1: within the half height of a thickening of stripLeast mm or more; −1: of nearly as much, −2: not asked for on this side
	OuterHeight, InnerHeight           float64
	Peak                               float64 // rows of 1 mm from here to the peak of the thickening that covers this one, + distal; NaN where none
}

const (
	stripsPerScene = 4
	stripLeast     = 0.5  // mm: the lowest thickening that counts
	stripNearly    = 0.35 // mm: below it, none
	stripMargin    = 44.0 // mm of bone on either side that a strip's frame is smoothed over
	stripBeyond    = 35   // mm beside a strip, and
	stripAround    = 40   // mm above and below, that the processing sees too
)

// stripImplants are those that a strip may show.
var stripImplants = []Implant{PlateImplant, PlateImplant, ShortPlate, DistalPlate, HipScrew, HipScrew, Nail, ShortNail, Stem, CerclageWires, CerclageWires, Screws, Screws}

// NewStrips makes the strips of a seed: of one scene, at several levels, each
// with thickenings and what may be taken for them of its own.
func NewStrips(seed uint64, meshes []*Mesh) []Strip {
	rng := rand.New(rand.NewPCG(seed, 0x57419))
	for {
		side := stripSides[rng.IntN(len(stripSides))]
		view := measure.AP
		if side == 90 || side == -90 {
			view = measure.Lateral
		}
		g := groups[rng.IntN(len(groups))]
		if g.lateral != (view == measure.Lateral) || g.broken || g.focal {
			continue
		}
		s := Draw(rng, g.name)
		leg := &s.Legs[0]
		if leg.View != view {
			continue
		}
		leg.Implant, leg.Break = "", nil
		s.harder(rng)
		if len(meshes) > 0 && rng.Float64() < meshShare {
			s = s.WithMesh(meshes[rng.IntN(len(meshes))].Varied(rng))
			leg = &s.Legs[0]
			leg.Anatomy.dress(rng, leg.Mesh)
		} else if rng.Float64() < 0.13 {
			leg.Implant = stripImplants[rng.IntN(len(stripImplants))]
		}
		s.turnMore(rng)
		var femur *bone
		if leg.Mesh == nil {
			leg.Anatomy.Focal, leg.Anatomy.Relief = nil, Relief{}
			femur = leg.Anatomy.build()
			if leg.Implant != "" {
				femur.fit(leg.Implant, leg.Anatomy)
			}
		}
		s.Pelvis.Shown = false
		for i := range s.Legs {
			s.Legs[i].Bare = true // what a strip shows of the bone it makes itself
		}
		t := s.stage()
		var out []Strip
		for try := 0; try < 4*stripsPerScene && len(out) < stripsPerScene; try++ {
			j := stripJob{stage: t, Rand: rng, leg: &t.legs[0], femur: femur, side: side}
			if j.lay(rng.Float64() < 0.93) {
				out = append(out, j.strip())
			}
		}
		if len(out) > 0 {
			return out
		}
	}
}

// harder varies a scene beyond Draw: beams, doses, thin and thick cortices.
func (s *Scene) harder(rng *rand.Rand) {
	even := func(lo, hi float64) float64 { return span{lo, hi}.even(rng) }
	ph := &s.Physics
	if rng.Float64() < 0.5 {
		k := even(0.75, 1.25)
		ph.Cortical *= k
		ph.Cancellous *= k * even(0.7, 1.4)
	}
	ph.Quanta = max(1e4, ph.Quanta*span{0.5, 3}.wide(rng))
	ph.FocalBlur *= span{0.7, 1.7}.wide(rng)
	ph.DetectorBlur *= span{0.6, 2.4}.wide(rng)
	ph.Scatter *= span{0.5, 1.7}.wide(rng)
	ph.Mottle *= span{0.5, 2}.wide(rng)
	a := &s.Legs[0].Anatomy
	switch v := rng.Float64(); {
	case v < 0.2: // thin and soft
		a.Thickness *= even(0.5, 0.85)
		a.Soft *= even(1, 1.8)
		a.Density *= even(0.5, 1.1)
	case v < 0.35:
		a.Thickness = min(a.Thickness*even(1.1, 1.3), 0.85*a.HalfX)
	case v < 0.55:
		a.HalfX *= even(0.8, 1.25)
		a.Thickness = min(span{2, 10}.wide(rng), 0.8*a.HalfX)
	}
	a.Wobble *= even(0.5, 1.6)
	if st := &s.Style; rng.Float64() < 0.3 {
		st.Power = even(0.8, 1.05)
		st.Edge *= even(0.7, 1.4)
	}
}

// stripJob is a strip being made.
type stripJob struct {
	*stage
	*rand.Rand
	leg             *stagedLeg
	femur           *bone   // nil for a mesh
	side            float64 // on which the strip lies, degrees from lateral towards anterior
	p               *polar
	unit            float64        // of the detector's mm, what the film calls a mm
	ref             []geom.PointMM // of the reference line, every mm of the film
	out             []geom.PointMM // unit vectors to that side there
	middle          float64        // place in ref of the strip's middle
	focal           []knob
	lines           []lucent
	taper           float64 // of the lucent lines towards their ends
	young           float64 // density of thickenings over that of the cortex
	streaks         streaks
	pores, poreSize float64 // part of the cortex by which it varies, over so many mm
	voids           []quadric
	metal           []quadric
	solids          []solid
}

func (j *stripJob) even(lo, hi float64) float64 { return span{lo, hi}.even(j.Rand) }

func (j *stripJob) chance(p float64) bool { return j.Float64() < p }

// lay draws the bone's stretch and the frame of a strip; false where its middle
// is off the film though it should not be.
func (j *stripJob) lay(onFilm bool) bool {
	a := &j.leg.Anatomy
	flare := a.FlareAt * a.Length
	middle := j.even(15, flare+12)
	j.unit = j.Beam.SID / (j.Beam.SID - j.leg.place.at[2]) * j.even(0.78, 1.1)
	bone := j.unit * (j.Beam.SID - j.leg.place.at[2]) / j.Beam.SID // a mm of the film on the bone
	reach := StripRows * StripDown / 2 * bone
	x, y := a.centre(middle)
	if j.leg.Mesh != nil {
		x, y = j.leg.Mesh.Centre(middle)
	}
	c := j.Beam.project(j.leg.place.world(vec{x, y, middle}))
	if onFilm && !j.visible(c, j.Plate.grid()) {
		return false
	}
	lo, hi := max(-44, middle-reach-stripMargin), min(middle+reach+stripMargin, a.Length-22)
	if j.leg.Mesh != nil {
		lo = max(lo, -30)
		j.p = j.leg.Mesh.polarOf(*a, lo, hi)
	} else {
		j.p = j.femur.polarOf(lo, hi)
		for i := range j.femur.solids {
			if s := j.femur.solids[i]; s.hi > lo && s.lo < hi {
				j.solids = append(j.solids, s)
			}
		}
		j.metal, j.voids = append(j.metal, j.femur.metal...), append(j.voids, j.femur.voids...)
	}
	j.confound(middle, reach)
	j.p.bareOut, j.p.bare = append([]float32(nil), j.p.out...), append([]float32(nil), j.p.in...)
	if j.side == 0 {
		j.thicken(middle, reach, flare)
	}
	if !j.frame(middle) {
		return false
	}
	shown := 0
	plate := j.Plate.grid()
	for r := 0.0; r < StripRows; r += StripRows / 8 {
		if p, a := j.rowAt(r); j.visible(p.Add(a.Mul(StripLine*StripAcross*j.unit)), plate) {
			shown++
		}
	}
	return shown >= 4 || !onFilm && shown > 0
}
