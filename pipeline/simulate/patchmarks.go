package simulate

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// canalLevel is in mm above the lesser trochanter's tip.
const canalLevel = 20.0

// moreMarks adds what a hip is asked for where it is learnt from beyond the truth's
// landmarks: three places of the head's rim, proximal and lateral, proximal and
// medial, distal and medial of its centre at 45° to the shaft; the ends of the
// narrowest neck; the canal's two inner edges 20 mm above the lesser trochanter,
// each of unit mm of the detector. on is a place of the shaft's line, which runs
// distally along down.
func (t *stage) moreMarks(m map[string]geom.PointMM, l *stagedLeg, on, down, across geom.PointMM, unit float64) {
	var head geom.Circle
	if l.mesh != nil {
		c, ok := l.mesh.head()
		if !ok {
			delete(m, "head_centre")
		}
		head = c
		if w := l.mesh.waist(); w.ok {
			m["neck_superior"], m["neck_inferior"] = w.superior, w.inferior
		}
		level := m["lesser_trochanter"].Sub(on).Dot(down) - canalLevel*unit
		if a, b, ok := l.mesh.canalAbove(on.Add(down.Mul(level)), across); ok && b.Sub(head.C).Norm() > head.R {
			m["canal_lateral"], m["canal_medial"] = a, b
		}
	} else {
		rim := t.rim(&l.femur.solids[l.femur.head].outer, &l.place, 360)
		head.C = centroid(rim)
		for _, p := range rim {
			head.R += p.Sub(head.C).Norm() / float64(len(rim))
		}
		a, b := t.waist(l)
		if a.Dot(down) > b.Dot(down) {
			a, b = b, a
		}
		m["neck_superior"], m["neck_inferior"] = a, b
		if a, b, ok := t.canalAbove(l, m["lesser_trochanter"], canalLevel*unit); ok {
			m["canal_lateral"], m["canal_medial"] = a, b
		}
	}
	if _, ok := m["head_centre"]; ok {
		m["head_centre"] = head.C
		k := head.R * math.Sqrt2 / 2
		m["rim_proximal"] = head.C.Sub(down.Mul(k)).Sub(across.Mul(k))
		m["rim_medial"] = head.C.Sub(down.Mul(k)).Add(across.Mul(k))
		m["rim_distal"] = head.C.Add(down.Mul(k)).Add(across.Mul(k))
	}
}

// canalAbove returns the inner edges above mm of the detector above the tip of
// the lesser trochanter, square to the mid-diaphyseal line.
func (t *stage) canalAbove(l *stagedLeg, tip geom.PointMM, above float64) (lateral, medial geom.PointMM, ok bool) {
	var c measure.Contours
	for _, q := range t.silhouettes(l, contourTop, 100, 4) {
		for _, e := range []struct {
			edge *measure.Edge
			p    geom.PointMM
		}{{&c.OuterPos, q.outerPos}, {&c.OuterNeg, q.outerNeg}, {&c.InnerPos, q.innerPos}, {&c.InnerNeg, q.innerNeg}} {
			if !math.IsNaN(e.p.X) {
				e.edge.P = append(e.edge.P, e.p)
			}
		}
	}
	s, err := measure.NewShaft(c, 1)
	if err != nil {
		return lateral, medial, false
	}
	s.SetOrigin(tip)
	for i, v := range s.S {
		if abs(v+above) <= 0.5 && s.InnerPos[i] > -s.InnerNeg[i] {
			return s.Mid[i].Add(s.Normal[i].Mul(s.InnerPos[i])), s.Mid[i].Sub(s.Normal[i].Mul(s.InnerNeg[i])), true
		}
	}
	return lateral, medial, false
}

// canalAbove returns where the line across the shaft through p leaves the projected
// inner surface of a mesh's wall, which medially is the calcar's; on a steep neck it
// may run along that into the head.
func (s *stagedMesh) canalAbove(p, across geom.PointMM) (lateral, medial geom.PointMM, ok bool) {
	const step, aside, reach = 0.5, 8, 80
	inner := s.inner()[len(meshShells)/2]
	hit := func(q geom.PointMM) bool { return inner.chord(s.beam, q) > 0 }
	from := p
	for d := step; d < aside && !hit(from); d += step { // the canal may lie beside the line
		if from = p.Add(across.Mul(d)); !hit(from) {
			from = p.Sub(across.Mul(d))
		}
	}
	edge := func(way float64) (geom.PointMM, bool) {
		for d := step; d < reach; d += step {
			if q := from.Add(across.Mul(way * d)); !hit(q) {
				return edgeOf(from.Add(across.Mul(way*(d-step))), q, hit), true
			}
		}
		return from, false
	}
	lateral, okL := edge(-1)
	medial, okM := edge(1)
	return lateral, medial, hit(from) && okL && okM
}
