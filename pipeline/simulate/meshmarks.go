package simulate

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// meshMarks adds the landmarks of the hip on an AP view that are read off a
// mesh's own projection: the centre of the head's outline, the middle of the
// narrowest neck and the tip of the greater trochanter.
func (t *stage) meshMarks(m map[string]geom.PointMM, l *stagedLeg, mid []outline) {
	at0 := nearLevel(mid, 0)
	if c, ok := l.mesh.head(); ok {
		m["head_centre"] = c.C
	}
	if w := l.mesh.waist(); w.ok {
		m["neck_centre"] = w.superior.Add(w.inferior).Mul(0.5)
	}
	if tip, ok := l.mesh.greater(at0, mid[0].centre.Sub(at0.centre).Unit()); ok {
		m["greater_trochanter"] = tip
	}
}

// nearLevel returns the level nearest to z.
func nearLevel(mid []outline, z float64) outline {
	best := mid[0]
	for _, q := range mid {
		if abs(q.z-z) < abs(best.z-z) {
			best = q
		}
	}
	return best
}

// greater returns the tip of the greater trochanter: the highest place of the
// outline, from lateral inwards, before it falls by 1.5 mm towards the neck;
// false where it does not fall within 12 mm of the shaft's line carried up.
func (s *stagedMesh) greater(at0 outline, proximal geom.PointMM) (geom.PointMM, bool) {
	const step, reach, inwards, fall = 1.5, 60, -12, 1.5
	var top [(reach - inwards) / step]geom.PointMM
	for _, p := range s.Vertices {
		if p[2] > 0 {
			continue
		}
		q := s.beam.project(s.place.world(p)).Sub(at0.centre)
		aside := q.Sub(proximal.Mul(q.Dot(proximal))).Dot(at0.positive)
		if i := int((reach - aside) / step); i >= 0 && i < len(top) && q.Dot(proximal) > top[i].Dot(proximal) {
			top[i] = q
		}
	}
	var best geom.PointMM
	for _, q := range top {
		if d := q.Dot(proximal); d > best.Dot(proximal) {
			best = q
		} else if d > 0 && d < best.Dot(proximal)-fall {
			return best.Add(at0.centre), true
		}
	}
	return geom.PointMM{}, false
}

// The head's rim that meets no neck: directions up to freeRim degrees from the
// neck's axis carried on, headReach times the radius from its centre.
const (
	freeRim   = 105
	headReach = 1.5
)

// hit says whether the ray through p meets the bone.
func (s *stagedMesh) hit(p geom.PointMM) bool { return s.outer.chord(s.beam, p) > 0 }

// findHead fits a circle to the projected rim of a mesh's head where it is free
// of the neck, on the detector.
func (s *stagedMesh) findHead() (geom.Circle, bool) {
	hit, radius := s.hit, s.headRadius()
	c := s.beam.project(s.place.world(s.Head))
	r := radius * s.beam.SID / (s.beam.SID - s.place.world(s.Head)[2])
	x, y := s.Centre(s.Head[2] + 2*radius)
	axis := c.Sub(s.beam.project(s.place.world(vec{x, y, s.Head[2] + 1.6*radius}))).Unit()
	var rim []geom.PointMM
	for deg := -freeRim; deg <= freeRim; deg += 3 {
		sn, cs := sincosDeg(float64(deg))
		dir := geom.PointMM{X: axis.X*cs - axis.Y*sn, Y: axis.X*sn + axis.Y*cs}
		if hit(c.Add(dir.Mul(0.5*r))) && !hit(c.Add(dir.Mul(headReach*r))) {
			rim = append(rim, edgeOf(c.Add(dir.Mul(0.5*r)), c.Add(dir.Mul(headReach*r)), hit))
		}
	}
	var fit geom.Circle
	for range 3 {
		f, _, err := measure.FitCircle(rim, nil)
		if err != nil {
			return geom.Circle{}, false
		}
		fit = f
		kept := rim[:0:0]
		for _, p := range rim {
			if abs(p.Sub(fit.C).Norm()-fit.R) < 0.04*fit.R {
				kept = append(kept, p)
			}
		}
		if len(kept) < 20 {
			return geom.Circle{}, false
		}
		rim = kept
	}
	return fit, true
}

// headRim returns places on the projected outline of a femur's head, all around;
// none where a mesh has no head to fit a circle to.
func (t *stage) headRim(l *stagedLeg) []geom.PointMM {
	const n = 720
	if b := l.femur; b != nil {
		return t.rim(&b.solids[b.head].outer, &l.place, n)
	}
	c, ok := l.mesh.head()
	if !ok {
		return nil
	}
	rim := make([]geom.PointMM, n)
	for i := range rim {
		sn, cs := math.Sincos(2 * math.Pi * float64(i) / n)
		rim[i] = c.C.Add(geom.PointMM{X: c.R * cs, Y: c.R * sn})
	}
	return rim
}

// headRadius is the mean distance of the medial half of the head's surface from
// its centre.
func (m *Mesh) headRadius() float64 {
	sum, n := 0.0, 0
	for _, p := range m.Vertices {
		if p[2] < 0 && p[0] < m.Head[0] {
			sum += p.sub(m.Head).norm()
			n++
		}
	}
	return sum / float64(n)
}

// waist is the two places of a mesh's outline at the narrowest neck, square to
// the line from the head's centre to their middle; not ok where there are none.
type waist struct {
	superior, inferior geom.PointMM
	ok                 bool
}

func (s *stagedMesh) findWaist() (found waist) {
	head, ok := s.head()
	if !ok {
		return waist{}
	}
	hit := s.hit
	out := func(from, dir geom.PointMM) (geom.PointMM, bool) {
		for d := 1.0; d < 45; d++ {
			if !hit(from.Add(dir.Mul(d))) && !hit(from.Add(dir.Mul(d+0.3))) {
				return edgeOf(from.Add(dir.Mul(d-1)), from.Add(dir.Mul(d)), hit), true
			}
		}
		return from, false
	}
	x, y := s.Centre(0)
	shaft := s.beam.project(s.place.world(vec{x, y, 0}))
	x, y = s.Centre(-25)
	aim := s.beam.project(s.place.world(vec{x, y, -25}))
	for range 4 {
		axis := aim.Sub(head.C).Unit()
		n := geom.PointMM{X: -axis.Y, Y: axis.X}
		if n.Dot(shaft.Sub(head.C)) > 0 { // towards proximal
			n = n.Mul(-1)
		}
		width := math.Inf(1)
		for w := 0.7 * head.R; w <= 2.1*head.R; w += 0.5 {
			c := head.C.Add(axis.Mul(w))
			if !hit(c) {
				continue
			}
			a, okA := out(c, n)
			b, okB := out(c, n.Mul(-1))
			if d := a.Sub(b).Norm(); okA && okB && d < width {
				found.superior, found.inferior, width = a, b, d
			}
		}
		if math.IsInf(width, 1) {
			return found
		}
		aim = found.superior.Add(found.inferior).Mul(0.5)
	}
	found.ok = true
	return found
}

// turn returns by how many degrees the axis of the condyles' backs is turned out
// of the film's plane, + inwards.
func (l *stagedLeg) turn() float64 {
	if l.mesh == nil {
		return l.Pose.Turn
	}
	var back [2]vec // lateral, medial
	x, _ := l.mesh.Centre(l.mesh.Length - 30)
	for _, p := range l.mesh.Vertices {
		k := 0
		if p[0] < x {
			k = 1
		}
		if p[2] > l.mesh.Length-45 && abs(p[0]-x) > 8 && (back[k] == vec{} || p[1] < back[k][1]) {
			back[k] = p
		}
	}
	return l.Pose.Turn - math.Atan2(back[0][1]-back[1][1], back[0][0]-back[1][0])*180/math.Pi
}
