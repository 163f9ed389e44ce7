package simulate

import (
	"math"

	"shaftgauge/measure"
)

// Leg is one thigh with its femur and what is below the knee.
type Leg struct {
	Anatomy Anatomy
	Pose    Pose
	View    measure.View
	Thigh   Thigh
	Mesh    *Mesh // a femur given as a surface, in place of one made from Anatomy
	Implant Implant
	Break   *Break // a displaced fracture
	Lower   bool   // tibia, fibula and patella are there
	Bare    bool   // soft tissue only (the other leg, its bone beside the field)
}

// Thigh is the soft tissue around a femur: half-widths in mm at the hip, the
// middle and the knee.
type Thigh struct {
	Hip, Middle, Knee float64
	Flat              float64 // sagittal over coronal
	Medial, Back      float64 // how far the thigh's centre lies medial of and behind the bone
	Fat               float64 // thickness of the layer under the skin
}

// build makes the outer and the muscle surface.
func (t Thigh) build(a Anatomy) (skin, muscle tube) {
	l := a.Length
	w := knots{[]float64{-260, -60, 60, 0.5 * l, l - 60, l, l + 70, l + 290}, []float64{1.15 * t.Hip, 1.1 * t.Hip, t.Hip, t.Middle, 1.08 * t.Knee, t.Knee, 0.97 * t.Knee, 0.7 * t.Knee}}
	off := knots{[]float64{-60, 60, 0.5 * l, l - 40, l + 100}, []float64{t.Medial * 1.2, t.Medial, 0.6 * t.Medial, 0, 0}}
	n := int((560 + l) / tubeStep)
	skin = tube{z0: -260, st: make([]station, n)}
	muscle = tube{z0: -260, st: make([]station, n)}
	for i := 0; i < n; i += 8 {
		z := -260 + tubeStep*float64(i)
		x, y := a.centre(math.Max(-40, math.Min(z, l)))
		s := station{cx: x - off.at(z), cy: y - t.Back*smooth((l-z)/100)}
		r := w.at(z)
		s.xp, s.xn, s.yp, s.yn = r, r*1.04, r*t.Flat, r*t.Flat*1.06
		skin.st[i] = s
		m := s
		m.xp, m.xn, m.yp, m.yn = inside(s.xp, t.Fat), inside(s.xn, 1.2*t.Fat), inside(s.yp, 0.9*t.Fat), inside(s.yn, 1.2*t.Fat)
		muscle.st[i] = m
	}
	fillStations(skin.st)
	fillStations(muscle.st)
	return skin, muscle
}

func inside(r, t float64) float64 { return math.Max(0.45*r, r-t) }

// fillStations interpolates the stations between every eighth.
func fillStations(st []station) {
	last := (len(st) - 1) / 8 * 8
	for i := range st {
		k := i / 8 * 8
		if i == k {
			continue
		}
		if k >= last {
			st[i] = st[last]
			continue
		}
		f := float64(i-k) / 8
		a, b := st[k], st[k+8]
		mix := func(p, q float64) float64 { return p + f*(q-p) }
		st[i] = station{cx: mix(a.cx, b.cx), cy: mix(a.cy, b.cy), xp: mix(a.xp, b.xp), xn: mix(a.xn, b.xn), yp: mix(a.yp, b.yp), yn: mix(a.yn, b.yn)}
	}
}

// pipe makes the two surfaces of a long bone from z0 to z1.
func pipe(z0, z1 float64, section func(z float64) (outer, inner station)) (outer, inner tube) {
	n := int((z1-z0)/tubeStep) + 1
	outer = tube{z0: z0, st: make([]station, n)}
	inner = tube{z0: z0, st: make([]station, n)}
	for i := range n {
		outer.st[i], inner.st[i] = section(z0 + tubeStep*float64(i))
	}
	return outer, inner
}
