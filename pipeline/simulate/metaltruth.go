package simulate

import (
	"math"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// MetalTruth says where metal lies over or beside a femur.
type MetalTruth struct {
	Shown bool `json:"shown"`           // some of the femur's implant is on the film
	Loose bool `json:"loose,omitempty"` // a clip or a ball is on the film, wherever it lies
	// Near holds, by name of a contour, the levels from and to, in mm as s, where
	// metal of any kind (implant, clip, ball, lead letter) lies within nearMetal
	// of it.
	Near map[string][][2]float64 `json:"near,omitempty"`
}

// nearMetal is how close to an edge, in mm in the bone's plane, metal touches it.
const nearMetal = 3.0

// metal returns where metal is, nil when there is none in the beam. shaft is nil
// where levels are not known.
func (t *stage) metal(l *stagedLeg, shaft *measure.Shaft, seen []outline, g grid, s geom.Spacing) *MetalTruth {
	loose := t.loose(g)
	var fitted []quadric
	if l.femur != nil {
		fitted = l.femur.metal
	}
	if len(loose)+len(fitted) == 0 {
		return nil
	}
	out := &MetalTruth{Loose: slices.ContainsFunc(t.Metal, func(m Metal) bool { return t.shows(m, g) })}
	for _, q := range fitted {
		out.Shown = out.Shown || t.visible(t.Beam.project(l.place.world(q.c)), g)
	}
	if shaft == nil {
		return out
	}
	covered := func(p geom.PointMM) bool {
		for i := range loose {
			if loose[i].covers(p) {
				return true
			}
		}
		o, d := t.Beam.ray(&l.place, p)
		for i := range fitted {
			if _, _, hit := fitted[i].cross(o, d); hit {
				return true
			}
		}
		return false
	}
	names, _ := measure.SideNames(l.View)
	m := l.magnification(t.Beam)
	for name, edge := range map[string]func(*outline) geom.PointMM{
		"outer_" + names[0]: func(o *outline) geom.PointMM { return o.outerPos },
		"outer_" + names[1]: func(o *outline) geom.PointMM { return o.outerNeg },
		"inner_" + names[0]: func(o *outline) geom.PointMM { return o.innerPos },
		"inner_" + names[1]: func(o *outline) geom.PointMM { return o.innerNeg },
	} {
		var spans [][2]float64
		for i := 0; i < len(seen); i += 2 {
			p := edge(&seen[i])
			if math.IsNaN(p.X) {
				continue
			}
			touched := false
			for d := -nearMetal; d <= nearMetal && !touched; d += 0.5 {
				touched = covered(p.Add(seen[i].positive.Mul(d * m)))
			}
			if !touched {
				continue
			}
			level := levelOf(shaft, s.MM(g.pixel(p)))
			if n := len(spans); n > 0 && level-nearMetal <= spans[n-1][1] {
				spans[n-1][1] = max(spans[n-1][1], level+nearMetal)
			} else {
				spans = append(spans, [2]float64{level - nearMetal, level + nearMetal})
			}
		}
		if spans != nil {
			if out.Near == nil {
				out.Near = map[string][][2]float64{}
			}
			out.Near[name] = spans
		}
	}
	if !out.Loose && out.Near == nil && len(fitted) == 0 {
		return nil
	}
	return out
}

// loose lists the metal that belongs to no femur: clips, balls and the strokes
// of lead letters.
func (t *stage) loose(g grid) []Metal {
	out := append([]Metal(nil), t.Metal...)
	for _, k := range t.Marks {
		if !k.Lead {
			continue
		}
		sn, cs := sincosDeg(k.Angle)
		right, down := geom.PointMM{X: cs, Y: sn}, geom.PointMM{X: -sn, Y: cs}
		if k.Turned {
			right, down = g.dx.Unit(), g.dy.Unit()
		}
		at := func(p geom.PointMM) geom.PointMM {
			return k.At.Add(right.Mul(p.X * k.Height)).Add(down.Mul(p.Y * k.Height))
		}
		for _, q := range k.outline() {
			out = append(out, Metal{A: at(q.a), B: at(q.b), Radius: 0.075 * k.Height})
		}
	}
	return out
}

// shows says whether some of the object is on the film.
func (t *stage) shows(m Metal, g grid) bool {
	for _, p := range [2]geom.PointMM{m.A, m.B} {
		for _, d := range [4]geom.PointMM{{X: m.Radius}, {X: -m.Radius}, {Y: m.Radius}, {Y: -m.Radius}} {
			if t.visible(p.Add(d), g) {
				return true
			}
		}
	}
	return false
}

// covers says whether p on the detector is in the object's shadow.
func (m *Metal) covers(p geom.PointMM) bool {
	if p.X < min(m.A.X, m.B.X)-m.Radius || p.X > max(m.A.X, m.B.X)+m.Radius || p.Y < min(m.A.Y, m.B.Y)-m.Radius || p.Y > max(m.A.Y, m.B.Y)+m.Radius {
		return false
	}
	p = p.Sub(m.A)
	if d := m.B.Sub(m.A); d != (geom.PointMM{}) {
		p = p.Sub(d.Mul(max(0, min(1, p.Dot(d)/d.Dot(d)))))
	}
	return p.Norm() <= m.Radius
}

// rotation returns how far the leg is turned from the pose of its view, in
// degrees, + outwards.
func (l *Leg) rotation() float64 {
	if l.View == measure.Lateral {
		return l.Pose.Turn - math.Copysign(90, l.Pose.Turn)
	}
	return l.Pose.Turn
}
