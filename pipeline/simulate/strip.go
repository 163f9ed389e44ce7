package simulate

import (
	"math"
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
func (j *stripJob) chance(p float64) bool       { return j.Float64() < p }

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
	j.confound(middle, reach, flare)
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

// confound adds what may be taken for a thickening, or hides or disturbs one.
func (j *stripJob) confound(middle, reach, flare float64) {
	shape := func() Shape { return Shape(j.IntN(3)) }
	level := func() float64 { return j.even(middle-reach, middle+reach) }
	var k []knob
	rich := 1.0
	if j.chance(0.35) {
		rich = 0 // a plain bone
	}
	if j.chance(0.4*rich) && middle-reach < 70 {
		k = append(k, knob{Bump{j.even(15, 65), span{0.4, 2.2}.wide(j.Rand), j.even(40, 85), Bell, j.even(-0.5, 0.5)}, 1, j.even(-45, 0), j.even(1, 4)})
	}
	if j.chance(0.12 * rich) { // callus
		b := Bump{level(), span{0.5, 3.5}.wide(j.Rand), j.even(10, 45), shape(), j.even(-0.5, 0.5)}
		k = append(k, knob{b, j.even(0.6, 1), 0, 0})
	}
	if j.chance(0.15 * rich) { // medial
		k = append(k, knob{Bump{level(), span{0.5, 3.5}.wide(j.Rand), j.even(10, 45), shape(), j.even(-0.5, 0.5)}, 1, 180 + j.even(-20, 20), j.even(1, 3)})
	}
	if j.chance(0.25 * rich) { // long and low
		k = append(k, knob{Bump{level(), span{0.4, 2.5}.wide(j.Rand), j.even(85, 170), Bell, j.even(-0.4, 0.4)}, []float64{0, 1, j.Float64()}[j.IntN(3)], j.even(-30, 30), j.even(1, 3)})
	}
	if j.chance(0.15 * rich) { // a shallow dent outside, long
		k = append(k, knob{Bump{level(), -span{0.3, 1.5}.wide(j.Rand), j.even(50, 140), Bell, j.even(-0.4, 0.4)}, 1, j.even(-30, 30), j.even(1, 3)})
	}
	if j.chance(0.25 * rich) { // scalloped inside
		for range 1 + j.IntN(4) {
			k = append(k, knob{Bump{level(), -span{0.15, 0.8}.wide(j.Rand), j.even(6, 24), Bell, 0}, 0, j.even(-40, 40), j.even(1, 6)})
		}
	}
	if j.chance(0.25) { // thick on both sides
		k = append(k, knob{Bump{j.even(80, 0.6*j.leg.Anatomy.Length), j.even(0.3, 2.5), j.even(120, 220), Plateau, 0}, 0, 0, 0})
	}
	for i := range k {
		k[i].Around += j.side
	}
	j.p.raise(k)
	if j.chance(0.5) {
		j.p.roughen(texture(j.Uint64()), 0.12*j.Float64()*j.Float64(), 0.45*j.Float64()*j.Float64(), span{3, 14}.wide(j.Rand))
	}
	if rich > 0 || j.chance(0.4) {
		j.wear()
	}
	if j.chance(0.3) {
		j.void(level(), j.even(18, 45), j.even(0.25, 0.6), j.side+j.even(40, 180), j.even(6, 22))
	}
	if j.chance(0.06) { // holes of screws that are gone
		z, r := level(), j.even(1, 2.4)
		for range 1 + j.IntN(4) {
			i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
			x, y := j.p.cx[i], j.p.cy[i]+j.even(-4, 4)
			outer, inner := float64(j.p.out[i*polarAngles]), float64(j.p.in[i*polarAngles])
			j.voids = append(j.voids, cylinder(vec{x + outer + 2, y, z}, vec{x + inner - 0.3, y, z + j.even(-1, 1)}, r))
			z += j.even(12, 24)
		}
	}
}

// centreAt is the centre line of p at z.
func (l *stagedLeg) centreAt(p *polar, z float64) (x, y float64) {
	i := max(0, min(int((z-p.z0)/polarStep), p.n-1))
	return p.cx[i], p.cy[i]
}

// void bores a steep channel through the wall around degrees from lateral.
func (j *stripJob) void(z, long, r, around, steep float64) {
	i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
	sn, cs := sincosDeg(-around)
	a := (int(math.Round(-around/360*polarAngles)) + polarAngles) % polarAngles
	half := float64(j.p.out[i*polarAngles+a]+j.p.in[i*polarAngles+a]) / 2
	out := vec{cs, sn, 0}
	c := vec{j.p.cx[i], j.p.cy[i], z}.add(out.mul(half))
	st, ct := sincosDeg(steep)
	along := vec{0, 0, 1}.mul(ct).add(out.mul(st))
	side := along.cross(out).unit()
	j.voids = append(j.voids, ellipsoid(c, mat{along, side, along.cross(side)}, vec{long / 2, r, r}))
}

// thicken adds focal thickenings, some with a lucent line, to more than half of
// the strips; some others have a line alone.
func (j *stripJob) thicken(middle, reach, flare float64) {
	lo, hi := max(22, middle-0.97*reach), min(flare-2, middle+0.97*reach)
	if hi <= lo {
		return
	}
	j.taper, j.young = j.even(0, 0.8), 1
	if j.chance(0.3) {
		j.young = j.even(0.45, 0.95)
	}
	n := 0
	if j.chance(0.56) {
		n = 1
		if j.chance(0.14) {
			n = 2
		}
	}
	if n == 0 && j.chance(0.14) {
		j.line(knob{Bump: Bump{Level: j.even(lo, hi), Length: 10}})
	}
	for range n {
		k := knob{Bump: Bump{Level: j.even(lo, hi), Height: span{0.5, 1.6}.wide(j.Rand), Length: span{6, 45}.wide(j.Rand),
			Shape: []Shape{Bell, Bell, Beak, Plateau}[j.IntN(4)], Skew: j.even(-0.75, 0.75)},
			Outer: 1, Around: 14 * j.NormFloat64(), Narrow: span{0.6, 5}.wide(j.Rand)}
		if j.chance(0.3) {
			k.Height = span{0.3, 4.5}.wide(j.Rand)
		}
		if k.Length > 22 { // long ones are seldom low
			k.Height = max(k.Height, span{0.5, 3}.wide(j.Rand))
		}
		switch v := j.Float64(); {
		case v < 0.4:
			k.Outer = 0
		case v < 0.7:
			k.Outer = j.Float64()
		}
		j.focal = append(j.focal, k)
		if j.chance(0.35) {
			j.line(k)
		}
		if j.chance(0.2) { // its other hump
			k.Height *= j.even(0.3, 1)
			k.Level += k.Length * j.even(-1, 1)
			k.Length *= j.even(0.4, 1)
			if hi > k.Level && k.Level > lo {
				j.focal = append(j.focal, k)
			}
		}
	}
	j.p.raise(j.focal)
}

// line adds a lucent line near the summit of k.
func (j *stripJob) line(k knob) {
	z := k.Level + 0.12*k.Length*j.NormFloat64()
	i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1))
	a := (int(math.Round(k.Around/360*polarAngles)) + polarAngles) % polarAngles
	outer, inner := float64(j.p.out[i*polarAngles+a])+k.at(z)*k.Outer, float64(j.p.in[i*polarAngles+a])-k.at(z)*(1-k.Outer)
	sn, cs := sincosDeg(j.even(-25, 25))
	depth := j.even(0.25, 1)
	if j.chance(0.25) {
		depth = 1
	}
	j.lines = append(j.lines, lucent{vec{j.p.cx[i] + outer, j.p.cy[i], z}, vec{sn, 0, cs}, span{0.2, 1.5}.wide(j.Rand) / 2,
		j.p.cx[i] + outer - depth*(outer-inner), j.even(0.5, 1)})
}

// frame lays the reference line; false where the strip would not fit.
func (j *stripJob) frame(middle float64) bool {
	const step = 2.0
	line := &polarLine{}
	var along []geom.PointMM // of the centre line
	var zs []float64
	project := func(z float64) geom.PointMM {
		x, y := j.leg.centreAt(j.p, z)
		return j.Beam.project(j.leg.place.world(vec{x, y, z}))
	}
	side := j.towards(middle)
	surface, reach := j.p.bareOut, 60.0
	if j.chance(0.35) { // a line that was found follows what stands out of it
		surface, reach = j.p.out, j.even(25, 60)
	}
	var mid []geom.PointMM
	var half []float64
	for z := j.p.z0 + 3; z < j.p.z(j.p.n-1)-3; z += step {
		c := project(z)
		down := project(z + 2.5).Sub(project(z - 2.5)).Unit()
		n := geom.PointMM{X: -down.Y, Y: down.X}
		if n.Dot(side) < 0 {
			n = n.Mul(-1)
		}
		s := newSection(&j.leg.place, j.Beam, c.X, c.Y, n.X, n.Y)
		s.cut(j.p, surface, []float64{0}, line.ring[:1])
		lo, hi := line.ring[0].edges()
		mid = append(mid, c.Add(n.Mul((lo+hi)/2)))
		half = append(half, (hi-lo)/2)
		along, zs = append(along, down), append(zs, z)
	}
	if len(mid) < 40 {
		return false
	}
	// The mid-line as a detector has it, smoothed, every mm of the film.
	smoothed := func(v []geom.PointMM, m int) []geom.PointMM {
		out := make([]geom.PointMM, len(v))
		for i := range v {
			k := min(m, i, len(v)-1-i)
			var s geom.PointMM
			for _, q := range v[i-k : i+k+1] {
				s = s.Add(q)
			}
			out[i] = s.Mul(1 / float64(2*k+1))
		}
		return out
	}
	mid = smoothed(smoothed(mid, 4), 3)
	arc := make([]float64, len(mid))
	for i := 1; i < len(mid); i++ {
		arc[i] = arc[i-1] + mid[i].Sub(mid[i-1]).Norm()/j.unit
	}
	width := localQuadratic(arc, half, reach)
	tilt := j.even(-0.015, 0.015)
	offset, slope, bend := j.even(-1.5, 1.5), j.even(-0.01, 0.01), j.even(-0.6, 0.6)
	if j.chance(0.3) {
		offset, slope, bend = 0.3*offset, 0.3*slope, 0.3*bend
	}
	at, k := 0.0, 0
	j.middle = -1
	for s := 0.0; s < arc[len(arc)-1]; s++ {
		for k < len(arc)-2 && arc[k+1] < s {
			k++
		}
		f := (s - arc[k]) / (arc[k+1] - arc[k])
		m := mid[k].Add(mid[k+1].Sub(mid[k]).Mul(f))
		down := mid[min(k+3, len(mid)-1)].Sub(mid[max(k-2, 0)]).Unit()
		n := geom.PointMM{X: -down.Y, Y: down.X}
		if n.Dot(side) < 0 {
			n = n.Mul(-1)
		}
		z := zs[k] + f*step
		if j.middle < 0 && z >= middle {
			j.middle = float64(len(j.ref))
			at = s
		}
		j.ref = append(j.ref, m.Add(n.Mul(width[k]+f*(width[k+1]-width[k]))))
		j.out = append(j.out, n)
	}
	if j.middle < 0 {
		return false
	}
	for i := range j.ref {
		u := (float64(i) - at) / 64
		u = max(-1.6, min(1.6, u))
		n := j.out[i]
		j.ref[i] = j.ref[i].Add(n.Mul(j.unit * (offset + 64*slope*u + bend*(u*u-0.4))))
		j.out[i] = n.Add(geom.PointMM{X: -n.Y, Y: n.X}.Mul(tilt)).Unit()
	}
	return true
}

// polarLine holds the loops of one section.
type polarLine struct{ ring [7]loop }

// towards is the way to the strip's side on the detector.
func (j *stripJob) towards(z float64) geom.PointMM {
	x, y := j.leg.centreAt(j.p, z)
	w := vec{x, y, z}
	sn, cs := sincosDeg(j.side)
	return j.Beam.project(j.leg.place.world(w.add(vec{cs, sn, 0}))).Sub(j.Beam.project(j.leg.place.world(w)))
}

// localQuadratic smooths v at the places s by parabolas fitted to what lies
// within reach.
func localQuadratic(s, v []float64, reach float64) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		var m [5]float64
		var b [3]float64
		for k := range v {
			d := (s[k] - s[i]) / reach
			if abs(d) > 1 {
				continue
			}
			w := 1 - d*d*d*d
			q := w
			for e := range m {
				m[e] += q
				if e < 3 {
					b[e] += q * v[k]
				}
				q *= d
			}
		}
		// Cramer's rule for the value at d = 0.
		det := m[0]*(m[2]*m[4]-m[3]*m[3]) - m[1]*(m[1]*m[4]-m[3]*m[2]) + m[2]*(m[1]*m[3]-m[2]*m[2])
		if abs(det) < 1e-9 {
			out[i] = v[i]
			continue
		}
		out[i] = (b[0]*(m[2]*m[4]-m[3]*m[3]) - m[1]*(b[1]*m[4]-m[3]*b[2]) + m[2]*(b[1]*m[3]-m[2]*b[2])) / det
	}
	return out
}

// rowAt returns the line of the strip's row: its place at column 0, the unit
// vector medially. row may lie beyond the strip.
func (j *stripJob) rowAt(row float64) (p, a geom.PointMM) {
	f := j.middle + (row-(StripRows-1)/2.0)*StripDown
	n := len(j.ref)
	i := max(0, min(int(math.Floor(f)), n-2))
	f -= float64(i)
	p = j.ref[i].Add(j.ref[i+1].Sub(j.ref[i]).Mul(f)) // straight on beyond the ends
	f = max(0, min(1, f))
	a = j.out[i].Add(j.out[i+1].Sub(j.out[i]).Mul(f)).Unit()
	return p.Add(a.Mul(StripLine * StripAcross * j.unit)), a.Mul(-1)
}
