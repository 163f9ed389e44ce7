package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// group says what the films of a name have in common.
type group struct {
	name          string
	lateral       bool
	from, to      float64 // levels that the film should show, in mm of z; 1000 + x is x mm beyond the joint line
	legs          int     // 1 or 2
	pelvis        bool
	lying         bool // across the film
	turned        bool // stored on its side or upside down
	low           bool // low dose
	inverted      bool
	processing    bool // for processing: linear or logarithmic exposure
	long          bool // long film
	focal         bool
	implant       bool
	broken        bool    // displaced fracture
	confounders   bool    // what may be taken for a focal thickening
	contradiction bool    // the header names the wrong side or view
	weight        float64 // share among coarse samples
}

// groups are the kinds of films.
var groups = []group{
	{name: "ap_full", from: -85, to: 300, weight: 1.5},
	{name: "ap_long", from: -110, to: 1060, long: true, weight: 1.2},
	{name: "ap_hip", from: -90, to: 190, pelvis: true, weight: 1.5},
	{name: "ap_proximal", from: -25, to: 240, weight: 1},
	{name: "ap_midshaft", from: 70, to: 125, weight: 1.2},
	{name: "ap_distal", from: 110, to: 1050, weight: 1.4},
	{name: "ap_obese", from: -80, to: 280, weight: 0.8},
	{name: "ap_lying", from: -60, to: 200, lying: true, pelvis: true, weight: 1},
	{name: "lat_full", lateral: true, from: -75, to: 300, weight: 1.9},
	{name: "lat_long", lateral: true, from: -95, to: 1060, long: true, weight: 1.2},
	{name: "lat_hip", lateral: true, from: -80, to: 190, pelvis: true, weight: 1.3},
	{name: "lat_midshaft", lateral: true, from: 60, to: 150, weight: 1.3},
	{name: "lat_distal", lateral: true, from: 120, to: 1050, weight: 1.6},
	{name: "both_thighs", from: -30, to: 250, legs: 2, weight: 0.8},
	{name: "pelvis", from: -100, to: 100, legs: 2, pelvis: true, weight: 0.8},
	{name: "low_dose", from: -80, to: 260, low: true, weight: 0.8},
	{name: "turned", from: -80, to: 280, turned: true, weight: 1},
	{name: "turned_lat", lateral: true, from: -70, to: 280, turned: true, weight: 1},
	{name: "inverted", from: -80, to: 280, inverted: true, weight: 0.3},
	{name: "for_processing", from: -80, to: 280, processing: true, weight: 0.4},
	{name: "thickening", from: -60, to: 290, focal: true, weight: 0.5},
	{name: "implant", from: -70, to: 290, implant: true, weight: 0.6},
	{name: "implant_lat", lateral: true, from: -70, to: 290, implant: true, weight: 0.5},
	{name: "broken", from: -60, to: 290, broken: true, weight: 0.4},
	{name: "confounders", from: -60, to: 290, confounders: true},
	{name: "contradiction", from: -85, to: 300, contradiction: true},
}

// Groups returns the names of the groups.
func Groups() []string {
	var out []string
	for _, g := range groups {
		out = append(out, g.name)
	}
	return append(out, NegativeGroup)
}

// Draw draws a scene of the named group; an unknown name gives ap_full.
func Draw(rng *rand.Rand, name string) Scene { return draw(rng, name, &seen) }

// DrawUnseen draws from the held-out variation, which is for judging only.
func DrawUnseen(rng *rand.Rand, name string) Scene {
	s := draw(rng, name, &unseen)
	s.Unseen = true
	return s
}

// drawing is a scene being drawn.
type drawing struct {
	*rand.Rand
	*Ranges
	group
	Scene
	sleeved bool // the first leg is the soft tissue of another limb
}

func (d *drawing) chance(p float64) bool { return d.Float64() < p }

func draw(rng *rand.Rand, name string, ranges *Ranges) Scene { return drawOf(nil, rng, name, ranges) }

// drawOf is draw with the femur given, if it is not nil.
func drawOf(femur *Anatomy, rng *rand.Rand, name string, ranges *Ranges) Scene {
	if name == NegativeGroup {
		return drawNegative(rng, negatives[rng.IntN(len(negatives))], ranges)
	}
	g := groups[0]
	for _, h := range groups {
		if h.name == name {
			g = h
		}
	}
	d := &drawing{Rand: rng, Ranges: ranges, group: g}
	d.Seed = rng.Uint64()
	d.Group = g.name
	d.beam()
	first := d.anatomy()
	side := measure.Left
	if d.chance(0.5) {
		side = measure.Right
	}
	first.Side = side
	if femur != nil {
		first = *femur
	}
	d.plate(first)
	d.place(first)
	d.mishaps()
	d.field()
	d.pelvisAndFolds()
	d.physics()
	d.style()
	d.marks()
	d.facts()
	if d.confounders {
		d.clutter()
	}
	return d.Scene
}

// anatomy draws a femur.
func (d *drawing) anatomy() Anatomy {
	k := d.Size.usual(d.Rand)
	u := func(s span) float64 { return s.usual(d.Rand) }
	a := Anatomy{Girth: k * span{0.95, 1.05}.even(d.Rand), Length: k * u(d.Length), HalfX: k * u(d.HalfX), HalfY: k * u(d.HalfY),
		Isthmus: u(d.Isthmus), Medial: u(d.Medial), Lateral: u(d.Lateral), Taper: u(d.Taper), Flare: u(d.Flare),
		Knee: u(d.Knee), FlareAt: u(d.FlareAt), CoronalBow: u(d.CoronalBow) / k, SagittalBow: u(d.SagittalBow) / k,
		BowSkew: d.BowSkew.even(d.Rand), Wobble: d.Wobble.even(d.Rand), Lobe: d.Lobe.even(d.Rand), Ridge: d.Ridge.even(d.Rand), Square: d.Square.even(d.Rand),
		Soft: u(d.Soft), NeckShaft: u(d.NeckShaft), Anteversion: u(d.Anteversion), HeadRadius: k * u(d.HeadRadius),
		Trochanter: k * u(d.Trochanter), TrochanterAt: u(d.LTBehind), Greater: u(d.Greater), LateralAngle: u(d.LateralDFA),
		Condyles: k * u(d.Condyles), Density: u(d.Density), Noise: d.Uint64()}
	a.Thickness = a.HalfX * u(d.Index)
	a.Joint = d.joint.joint(a.Noise)
	a.NeckRadius = a.HeadRadius * u(d.NeckRadius)
	a.NeckLength = a.HeadRadius * u(d.NeckLength)
	if d.focal {
		v := &d.relief
		f := Focal{Bump: Bump{Level: span{32, a.FlareAt*a.Length - 18}.even(d.Rand), Height: v.height.even(d.Rand), Length: v.length.even(d.Rand)}, Outer: []float64{1, 1, 0, 0.5}[d.IntN(4)]}
		if d.chance(0.65) {
			f.LineWidth, f.LineDepth, f.LineAngle = span{0.15, 1.2}.even(d.Rand), span{0.3, 1}.even(d.Rand), v.tilt.even(d.Rand)
		}
		a.Focal = []Focal{f}
		v.reshape(&a)
	}
	if d.confounders {
		d.relief.confound(&a)
	}
	return a
}

// other is the same person's other femur: alike within a few per cent.
func (d *drawing) other(a Anatomy) Anatomy {
	j := func(v *float64, by float64) { *v *= 1 + by*(2*d.Float64()-1) }
	for _, v := range []*float64{&a.HalfX, &a.HalfY, &a.Thickness, &a.HeadRadius, &a.NeckRadius, &a.Condyles} {
		j(v, 0.02)
	}
	for _, v := range []*float64{&a.Medial, &a.Lateral, &a.SagittalBow, &a.Trochanter, &a.TrochanterAt} {
		j(v, 0.06)
	}
	j(&a.Length, 0.008)
	j(&a.NeckLength, 0.04)
	a.CoronalBow += 0.1 * (2*d.Float64() - 1)
	a.NeckShaft += 3 * (2*d.Float64() - 1)
	a.Side = map[measure.Side]measure.Side{measure.Right: measure.Left, measure.Left: measure.Right}[a.Side]
	a.Noise = d.Uint64()
	a.Focal = nil
	return a
}

// levels returns the z that the film should show.
func (d *drawing) levels(a Anatomy) (from, to float64) {
	z := func(v float64) float64 {
		if v > 700 {
			return a.Length + (v - 1000)
		}
		if v > 250 {
			return v * a.Length / 355
		}
		if v < 0 {
			return v * a.Girth
		}
		return v
	}
	return z(d.from), z(d.to)
}

func (d *drawing) beam() {
	d.Beam.SID = d.SID.even(d.Rand)
	if d.chance(0.5) {
		d.Beam.SID = []float64{1000, 1100, 1150, 1200, 1800}[d.IntN(5)]
	}
	if d.long && d.Beam.SID < 1400 {
		d.Beam.SID = 1800
	}
}

// sizes are the formats of films and detectors in mm, portrait.
var sizes = [][2]float64{{180, 240}, {240, 300}, {350, 430}, {430, 430}, {430, 350}, {200, 400}, {300, 400}}

// plate draws a film that shows the levels wanted, if one is large enough.
func (d *drawing) plate(a Anatomy) {
	from, to := d.levels(a)
	d.Legs = []Leg{{Anatomy: a}}
	depth := d.Depth.usual(d.Rand)
	magnified := (to - from) * d.Beam.SID / (d.Beam.SID - depth)
	d.Legs[0].Pose.At[2] = depth
	need := magnified
	wide := 150.0
	if d.legs == 2 {
		wide = 330
	}
	if d.lying {
		wide = 260
	}
	if d.group.name == "ap_midshaft" || d.group.name == "lat_midshaft" {
		wide = 90
	}
	var fit [][2]float64
	for _, s := range sizes {
		if s[1] >= need-10 && s[0] >= wide {
			fit = append(fit, s)
		}
	}
	size := [2]float64{430, 430}
	if len(fit) > 0 {
		size = fit[d.IntN(len(fit))]
	}
	if d.long {
		size = [2]float64{span{300, 360}.even(d.Rand), span{max(560, need+20), 900}.even(d.Rand)}
	}
	d.Plate.Width, d.Plate.Height = size[0], size[1]
	p := d.Spacing.even(d.Rand)
	if d.chance(0.6) {
		p = []float64{0.1, 0.125, 0.139, 0.143, 0.148, 0.15, 0.16, 0.168, 0.175, 0.2}[d.IntN(10)]
	}
	for size[0]*size[1]/(p*p) > 12e6 {
		p *= 1.1
	}
	p = math.Round(p*1e4) / 1e4
	d.Plate.Spacing = geom.Spacing{Y: p, X: p}
	if d.chance(0.06) {
		d.Plate.Spacing.X = math.Round(p*span{0.85, 1.18}.even(d.Rand)*1e4) / 1e4
	}
	if d.turned || d.chance(0.04) {
		d.Plate.Quarters = 1 + d.IntN(3)
	}
}

// place lays the legs on the film.
func (d *drawing) place(a Anatomy) {
	from, to := d.levels(a)
	depth := d.Legs[0].Pose.At[2]
	view, turn := measure.AP, d.Rotation.usual(d.Rand)
	if d.lateral {
		view = measure.Lateral
		turn = 90 + 0.7*turn
		if d.chance(0.35) {
			turn -= 180
		}
	}
	slant := d.Slant.usual(d.Rand)
	if d.lying {
		slant = d.Lying.even(d.Rand)
	} else if d.long {
		slant = 0.4 * slant
	}
	m := d.Beam.SID / (d.Beam.SID - depth)
	// Where the film is larger than what must show, more shows at either end.
	spare := max(0, d.Plate.Height/m-(to-from))
	f := d.Float64()
	mid := (from-spare*f+to+spare*(1-f))/2 + 6*(d.Float64()-0.5)
	if d.group.name == "ap_midshaft" || d.group.name == "lat_midshaft" {
		mid = (from + to) / 2
	}
	if d.pelvis && d.legs != 2 { // the hip belongs on the film
		mid = (from + to) / 2
	}
	d.Beam.X, d.Beam.Y = 30*(d.Float64()-0.5), 80*(d.Float64()-0.5)
	thigh := d.thigh(a)
	leg := func(a Anatomy, x, slant float64) Leg {
		cx, cy := a.centre(mid)
		return Leg{Anatomy: a, View: view, Thigh: thigh, Lower: true,
			Pose: Pose{Side: a.Side, Turn: turn, Tilt: d.Tilt.usual(d.Rand), Slant: slant, Pivot: vec{cx, cy, mid}, At: vec{x, 0, depth}}}
	}
	if d.legs == 2 {
		// The patient's right is on the left of the film.
		other := d.other(a)
		left, right := a, other
		if a.Side == measure.Right {
			left, right = other, a
		}
		gap := span{78, 95}.even(d.Rand) * a.Girth
		toe := span{-1, 7}.even(d.Rand) // knees closer than hips
		shift := 12 * (d.Float64() - 0.5)
		d.Legs = []Leg{leg(right, -gap+shift, -toe), leg(left, gap+shift, toe)}
		if d.group.name == "pelvis" {
			d.Beam.Y = span{-60, 0}.even(d.Rand)
		}
		return
	}
	x := (d.Float64() - 0.5) * max(0, d.Plate.Width/m-130) * 0.5
	d.Legs = []Leg{leg(a, x, slant)}
	switch {
	case d.lateral && d.chance(0.3):
		// The other thigh crosses the upper part of the film.
		b := leg(d.other(a), x+span{-70, 70}.even(d.Rand), slant+span{-40, 40}.even(d.Rand))
		b.Pose.At[1] = -span{120, 220}.even(d.Rand)
		b.Pose.At[2] = depth + 90
		b.Bare = true
		d.Legs = append(d.Legs, b)
	case !d.lateral && d.chance(0.4):
		b := leg(d.other(a), x+medial(a.Side)[0]*span{150, 200}.even(d.Rand), -slant)
		b.Bare = true
		d.Legs = append(d.Legs, b)
	}
}

// mishaps draws an implant or a fracture where the group has one.
func (d *drawing) mishaps() {
	leg := &d.Legs[0]
	if d.implant {
		leg.Implant = usualImplants[d.IntN(len(usualImplants))]
		if leg.Implant.atKnee() {
			leg.Pose.At[1] -= 90
		}
	}
	if d.broken {
		leg.Break = fracture(d.Rand)
	}
}

// fracture draws a displaced fracture of the shaft.
func fracture(rng *rand.Rand) *Break {
	side := 1.0
	if rng.Float64() < 0.5 {
		side = -1
	}
	return &Break{Z: span{60, 200}.even(rng), Shift: [3]float64{side * span{8, 25}.even(rng), span{-15, 15}.even(rng), 0},
		Angle: span{-20, 20}.even(rng), Overriding: span{-4, 25}.even(rng)}
}

func (d *drawing) thigh(a Anatomy) Thigh {
	hip := d.ThighHip.usual(d.Rand)
	fat := d.Fat.usual(d.Rand)
	if d.group.name == "ap_obese" {
		hip, fat = span{125, 165}.even(d.Rand), span{35, 75}.even(d.Rand)
	}
	return Thigh{Hip: hip, Middle: hip * d.ThighMid.even(d.Rand), Knee: span{56, 72}.even(d.Rand) * a.Girth, Flat: d.Flat.even(d.Rand),
		Medial: 0.25 * hip, Back: span{-5, 20}.even(d.Rand), Fat: fat}
}

// field draws the collimation around what the film is to show.
func (d *drawing) field() {
	w, h := d.Plate.Width, d.Plate.Height
	d.Field = Field{X: 0, Y: 0, Width: w + 40, Height: h + 40, Round: span{0.15, 1.2}.even(d.Rand)}
	if d.chance(0.25) {
		d.Field.Outside = Outside(d.IntN(3))
		return // opened as wide as the film
	}
	d.Field.Outside = Outside(d.IntN(3))
	d.Field.Angle = d.FieldAngle.usual(d.Rand)
	if d.chance(0.4) {
		d.Field.Angle = 0
	}
	d.Field.Width = w * span{0.82, 1}.even(d.Rand)
	d.Field.Height = h * span{0.9, 1.02}.even(d.Rand)
	d.Field.X, d.Field.Y = 8*(d.Float64()-0.5), 8*(d.Float64()-0.5)
	if d.legs == 2 || d.lying || d.pelvis {
		return
	}
	// Along one leg the field is usually narrow.
	if d.chance(0.6) {
		d.Field.Width = min(d.Field.Width, span{110, 210}.even(d.Rand))
		leg := d.Legs[0]
		d.Field.X = d.Beam.project(leg.Pose.At).X + 16*(d.Float64()-0.5)
		if d.chance(0.5) {
			d.Field.Angle = leg.Pose.Slant * span{0.5, 1}.even(d.Rand)
		}
	}
	if d.group.name == "ap_midshaft" || d.group.name == "lat_midshaft" {
		m := d.Beam.SID / (d.Beam.SID - d.Legs[0].Pose.At[2])
		d.Field.Height = min(d.Field.Height, (d.to-d.from)*m*span{0.95, 1.5}.even(d.Rand))
		d.Field.Y = d.Beam.project(d.Legs[0].Pose.At).Y
	}
}

func (d *drawing) pelvisAndFolds() {
	from, _ := d.levels(d.Legs[0].Anatomy)
	if d.pelvis || from < -20 && d.chance(0.85) {
		p := Pelvis{Shown: true, Density: span{0.5, 1.1}.even(d.Rand), Trunk: d.Trunk.usual(d.Rand)}
		for range d.IntN(7) {
			r := span{5, 22}.wide(d.Rand)
			p.Gas = append(p.Gas, Gas{[3]float64{span{-90, 90}.even(d.Rand), span{-130, 10}.even(d.Rand), span{-10, 50}.even(d.Rand)},
				[3]float64{r * span{0.8, 2}.even(d.Rand), r, r}})
		}
		if d.sockets {
			p.Sockets = d.Seed | 1
		}
		d.Pelvis = p
	}
	n := 0
	if d.chance(0.5) {
		n = 1 + d.IntN(2)
	}
	if d.group.name == "ap_obese" {
		n = 1 + d.IntN(3)
	}
	for range n {
		w, h := d.Plate.Width, d.Plate.Height
		y := span{-0.45, 0.3}.even(d.Rand) * h
		tilt := span{-0.35, 0.35}.even(d.Rand) * w
		d.Folds = append(d.Folds, Fold{A: geom.PointMM{X: -w * span{0.1, 0.6}.even(d.Rand), Y: y - tilt}, B: geom.PointMM{X: w * span{0.1, 0.6}.even(d.Rand), Y: y + tilt},
			Sag: span{-25, 25}.even(d.Rand), Step: span{2, 14}.even(d.Rand), Width: span{0.6, 2.5}.even(d.Rand)})
	}
	if d.chance(0.12) {
		for range 1 + d.IntN(5) {
			leg := d.Legs[0]
			c := d.Beam.project(leg.Pose.At).Add(geom.PointMM{X: span{-40, 40}.even(d.Rand), Y: span{-0.4, 0.4}.even(d.Rand) * d.Plate.Height})
			s, co := math.Sincos(math.Pi * d.Float64())
			l := span{2, 6}.even(d.Rand)
			d.Metal = append(d.Metal, Metal{A: c, B: c.Add(geom.PointMM{X: l * co, Y: l * s}), Radius: span{0.4, 0.8}.even(d.Rand), Mean: 0.6})
		}
	}
}

func (d *drawing) physics() {
	quanta := d.Quanta.wide(d.Rand)
	if d.low {
		quanta = d.LowQuanta.wide(d.Rand)
	}
	soft := d.Soft_.even(d.Rand)
	d.Physics = Physics{Soft: soft, Fat: soft * span{0.85, 0.92}.even(d.Rand), Cortical: d.Cortical.even(d.Rand), Cancellous: d.Spongy.even(d.Rand),
		Hardening: d.Hardening.even(d.Rand), Heel: d.Heel.even(d.Rand), HeelAngle: []float64{90, -90, 90, 0}[d.IntN(4)],
		Scatter: d.Scatter.even(d.Rand), ScatterReach: span{25, 60}.even(d.Rand), FocalBlur: d.Focal.even(d.Rand), DetectorBlur: d.Blur.even(d.Rand),
		Tail: d.Tail.even(d.Rand), TailReach: d.TailReach.even(d.Rand), Quanta: quanta, Electronic: span{0.5, 4}.even(d.Rand),
		Texture: d.Texture.even(d.Rand), TextureScale: d.Grain.even(d.Rand), TextureSeed: d.Uint64(),
		Metal: span{0.25, 0.8}.even(d.Rand), Mottle: span{0, 2.5}.even(d.Rand)}
}

func (d *drawing) style() {
	s := Style{Gamma: 1, Power: d.Power.even(d.Rand), Low: span{0.005, 0.06}.even(d.Rand), High: span{0.975, 0.999}.even(d.Rand), Bits: []int{8, 10, 10, 12, 12, 12, 12, 14, 14, 16}[d.IntN(10)], Inverted: d.inverted || d.chance(0.2)}
	if d.processing {
		s.Linear = d.chance(0.5)
		s.Inverted = s.Inverted || s.Linear // what is proportional to exposure is dark where bone is
		s.Bits = []int{12, 14, 16}[d.IntN(3)]
		d.Style = s
		return
	}
	if d.chance(0.8) {
		s.Edge, s.EdgeKernel = d.Edge.even(d.Rand), d.EdgeKernel.wide(d.Rand)
	}
	if d.chance(0.8) {
		s.Equalise, s.EqualiseMM = d.Equalise.even(d.Rand), d.EqualiseMM.wide(d.Rand)
	}
	if d.chance(0.3) {
		s.Second, s.SecondMM = d.Second.even(d.Rand), d.SecondMM.wide(d.Rand)
	}
	if d.chance(0.6) {
		s.Sigmoid = d.Sigmoid.even(d.Rand)
	}
	if d.chance(0.4) {
		s.Gamma = d.Gamma.even(d.Rand)
	}
	d.Style = s
}
