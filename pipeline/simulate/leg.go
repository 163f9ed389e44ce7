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

// lower makes tibia with patella, and fibula, in the femur's body frame.
func (a Anatomy) lower() []*bone {
	g, l := a.Girth, a.Length
	cx, cy := a.centre(l - 10)
	top := l + 4*g
	wide := knots{[]float64{top, top + 3, top + 14, top + 35, top + 70, top + 220}, []float64{20 * g, 36 * g, 37 * g, 24 * g, 15.5 * g, 13 * g}}
	deep := knots{[]float64{top, top + 3, top + 14, top + 35, top + 70, top + 220}, []float64{15 * g, 23 * g, 25 * g, 22 * g, 17 * g, 14 * g}}
	wall := knots{[]float64{top, top + 30, top + 80, top + 160}, []float64{1.2, 1.8, 0.6 * a.Thickness, 0.8 * a.Thickness}}
	tibia := &bone{topZ: top, length: top + 300}
	tibia.outer, tibia.inner = pipe(top, top+300, func(z float64) (o, in station) {
		o = station{cx: cx, cy: cy - 6*g, xp: wide.at(z), xn: wide.at(z), yp: deep.at(z), yn: deep.at(z), three: 0.05}
		in = o
		t := wall.at(z)
		in.xp, in.xn, in.yp, in.yn = in.xp-t, in.xn-t, in.yp-t, in.yn-t
		in.soft, in.density = 1.5, a.Density*(0.1+0.8*smooth((top+60-z)/60))
		return o, in
	})
	tibia.solids = append(tibia.solids, newSolid(ellipsoid(vec{cx + 2*g, cy + 36*g, l - 34*g},
		mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, vec{21 * g, 10 * g, 22 * g}), 1.4, 0.9*a.Density))
	tibia.solids = append(tibia.solids, newSolid(ellipsoid(vec{cx, cy - 3*g, top + 1}, // intercondylar eminence
		mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, vec{8 * g, 9 * g, 9 * g}), 1, a.Density))

	fibula := &bone{topZ: top + 14*g, length: top + 300}
	fibula.outer, fibula.inner = pipe(fibula.topZ, fibula.length, func(z float64) (o, in station) {
		r := 6*g + 5*g*smooth((top+45*g-z)/(25*g))*smooth((z-fibula.topZ+2)/8)
		o = station{cx: cx + 36*g - 6*g*smooth((z-top)/100), cy: cy - 24*g, xp: r, xn: r, yp: r, yn: r}
		in = o
		t := math.Min(2.2, 0.4*r)
		in.xp, in.xn, in.yp, in.yn = r-t, r-t, r-t, r-t
		in.soft, in.density = 0.6, 0.3*a.Density
		return o, in
	})
	return []*bone{tibia.bounded(), fibula.bounded()}
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
