package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// Shape is the outline of a bump along the shaft.
type Shape int

// The shapes of a bump: a bell, a beak with straight flanks, a plateau.
const (
	Bell Shape = iota
	Beak
	Plateau
)

// Bump is a stretch of a surface that stands out: of full width Length at half
// height. Skew −0.6 … 0.6 makes its proximal flank the longer or the shorter.
type Bump struct {
	Level, Height, Length float64 // mm; Level is z
	Shape                 Shape
	Skew                  float64
}

// at returns the height at z.
func (b *Bump) at(z float64) float64 {
	if b.Height == 0 {
		return 0
	}
	u := (z - b.Level) / b.Length
	if u < 0 {
		u /= 1 + b.Skew
	} else {
		u /= 1 - b.Skew
	}
	switch b.Shape {
	case Beak: // its tip rounded over a tenth of its length; 1.2 makes it half as high at u = ½
		return b.Height * math.Max(0, 1.05-math.Sqrt(1.2*u*u+0.0025))
	case Plateau:
		return b.Height * math.Exp(-math.Ln2*math.Pow(2*u, 6))
	}
	return b.Height * math.Exp(-4*math.Ln2*u*u)
}

// Relief is what a shaft's cortex may have that is no focal thickening of its
// lateral side.
type Relief struct {
	Gluteal  Bump    // the gluteal ridge (third trochanter) on the lateral outer surface: long and low
	Callus   []Bump  // on the lateral and the medial outer surface alike
	Medial   Bump    // on the medial outer surface alone
	Thick    float64 // mm by which both cortices are thicker towards the canal over most of the diaphysis
	Nutrient *Nutrient
}

// Nutrient is the canal of the nutrient artery: a thin channel through the
// posterior or medial cortex, steep to the shaft.
type Nutrient struct {
	Z, Length, Radius float64 // mm
	Around            float64 // degrees from medial towards posterior
	Steep             float64 // degrees from the shaft's direction
}

// raise adds the relief to the outer and inner surface at z.
func (r *Relief) raise(z float64, o, in *station, flare float64) {
	if h := r.Gluteal.at(z); h > 0 {
		o.xp += h
	}
	for i := range r.Callus {
		h := r.Callus[i].at(z)
		o.xp += h
		o.xn += h
		o.yp += 0.6 * h
		o.yn += 0.6 * h
	}
	o.xn += r.Medial.at(z)
	if r.Thick > 0 {
		h := r.Thick * smooth((z-10)/70) * smooth((flare-z)/70)
		in.xp -= h
		in.xn -= h
		in.yp -= h
		in.yn -= h
	}
}

// bore adds the nutrient canal to b.
func (r *Relief) bore(b *bone) {
	n := r.Nutrient
	if n == nil {
		return
	}
	i := min(max(int((n.Z-b.outer.z0)/tubeStep), 0), len(b.outer.st)-1)
	o, in := &b.outer.st[i], &b.inner.st[i]
	sn, cs := sincosDeg(n.Around)
	out := vec{-cs, -sn, 0}
	at := func(s *station) float64 { return 1 / math.Hypot(cs/s.xn, sn/s.yn) }
	half := (at(o) + at(in)) / 2 // the middle of the wall
	c := vec{o.cx, o.cy, n.Z}.add(out.mul(half))
	st, ct := sincosDeg(n.Steep)
	along := vec{0, 0, 1}.mul(ct).add(out.mul(st))
	side := along.cross(out).unit()
	b.voids = append(b.voids, ellipsoid(c, mat{along, side, along.cross(side)}, vec{n.Length / 2, n.Radius, n.Radius}))
}

// reliefRanges are the ranges of Focal and Relief. Published figures for the
// height of a focal thickening there are none; 1 … 3 mm high and 10 … 30 mm long
// is an impression.
type reliefRanges struct {
	height, length, skew, belly span // of focal thickenings; belly: the outer share of what is on both faces
	bone                        span // part of the bone that is missing in a lucent line
	tilt                        span // of a lucent line, degrees
	gluteal, glutealLong        span // mm
	callus, callusLong          span
	thick                       span
	nutrient                    span // radius, mm
}

var seenRelief = reliefRanges{
	height: span{0.8, 3}, length: span{9, 32}, skew: span{-0.4, 0.4}, belly: span{0.2, 1}, bone: span{0.55, 1}, tilt: span{-18, 18},
	gluteal: span{0.4, 1.6}, glutealLong: span{42, 75}, callus: span{0.8, 3}, callusLong: span{12, 40}, thick: span{0.5, 2.2}, nutrient: span{0.25, 0.6},
}

var unseenRelief = reliefRanges{
	height: span{0.8, 3}, length: span{8, 35}, skew: span{-0.55, 0.55}, belly: span{0, 1}, bone: span{0.5, 1}, tilt: span{-25, 25},
	gluteal: span{0.3, 2}, glutealLong: span{38, 90}, callus: span{0.6, 4}, callusLong: span{10, 48}, thick: span{0.3, 3}, nutrient: span{0.2, 0.75},
}

// reliefStream sets the draws of this file apart, so that the rest of a scene
// does not hang on them.
const reliefStream = 0x2e11ef

// reshape gives the focal thickenings of a their shapes.
func (v *reliefRanges) reshape(a *Anatomy) {
	r := rand.New(rand.NewPCG(a.Noise, reliefStream))
	for i := range a.Focal {
		f := &a.Focal[i]
		f.Shape = []Shape{Bell, Bell, Beak, Plateau}[r.IntN(4)]
		f.Skew = v.skew.even(r)
		f.LineBone = v.bone.even(r)
		if f.Outer == 0.5 {
			f.Outer = v.belly.even(r)
		}
	}
}

// confound gives a shaft what may be taken for a focal thickening, most often
// several things at once.
func (v *reliefRanges) confound(a *Anatomy) {
	r := rand.New(rand.NewPCG(a.Noise, reliefStream+1))
	shape := func() Shape { return Shape(r.IntN(3)) }
	flare := a.FlareAt * a.Length
	if r.Float64() < 0.5 {
		a.Relief.Gluteal = Bump{Level: span{25, 60}.even(r), Height: v.gluteal.even(r), Length: v.glutealLong.even(r), Skew: v.skew.even(r)}
	}
	if r.Float64() < 0.5 {
		a.Relief.Callus = []Bump{{Level: span{40, flare - 25}.even(r), Height: v.callus.even(r), Length: v.callusLong.even(r), Shape: shape(), Skew: v.skew.even(r)}}
	} else if r.Float64() < 0.3 {
		a.Relief.Medial = Bump{Level: span{40, flare - 25}.even(r), Height: v.callus.even(r), Length: v.callusLong.even(r), Shape: shape(), Skew: v.skew.even(r)}
	}
	if r.Float64() < 0.4 {
		a.Relief.Thick = v.thick.even(r)
	}
	if r.Float64() < 0.6 {
		a.Relief.Nutrient = &Nutrient{Z: a.Length * span{0.25, 0.5}.even(r), Length: span{18, 45}.even(r), Radius: v.nutrient.even(r),
			Around: span{0, 110}.even(r), Steep: span{6, 22}.even(r)}
	}
}

// clutter lays folds and letters across the lateral cortex of the first leg.
func (d *drawing) clutter() {
	r := rand.New(rand.NewPCG(d.Seed, reliefStream))
	leg := &d.Legs[0]
	// Places of the lateral cortex at levels of the diaphysis, on the detector.
	lateral := func(z float64) geom.PointMM {
		x, y := leg.Anatomy.centre(z)
		place := leg.Pose.placement()
		return d.Beam.project(place.world(vec{x + leg.Anatomy.HalfX, y, z}))
	}
	level := func() float64 { return span{35, 0.68 * leg.Anatomy.Length}.even(r) }
	for range 1 + r.IntN(3) {
		c := lateral(level())
		s, co := sincosDeg(span{-60, 60}.even(r))
		u := geom.PointMM{X: co, Y: s}
		reach := span{40, 160}.even(r)
		d.Folds = append(d.Folds, Fold{A: c.Sub(u.Mul(reach)), B: c.Add(u.Mul(reach)), Sag: span{-12, 12}.even(r), Step: span{1, 9}.even(r), Width: span{0.5, 2}.even(r)})
	}
	words := []string{"R", "L", "SUPINE", "HV 07", "09:15", "PORT", "K.T."}
	for range 1 + r.IntN(2) {
		m := Mark{Text: words[r.IntN(len(words))], Height: span{4, 14}.even(r), White: r.Float64() < 0.75, Lead: r.Float64() < 0.25, Angle: span{-20, 20}.even(r)}
		c := lateral(level())
		m.At = geom.PointMM{X: c.X - r.Float64()*m.width(), Y: c.Y - r.Float64()*m.Height}
		d.Marks = append(d.Marks, m)
	}
}
