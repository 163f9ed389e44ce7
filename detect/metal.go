package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// Implants, for [Femur.Implant].
const (
	ImplantNone           = "none"
	ImplantIntramedullary = "intramedullary"
	ImplantPlate          = "plate"
	ImplantStem           = "stem"
	ImplantOther          = "other"
)

var implantWords = [metalClasses]string{metalIntramedullary: ImplantIntramedullary, metalPlate: ImplantPlate, metalStem: ImplantStem, metalOther: ImplantOther}

const (
	metalProb     = 0.5  // from which a place shows metal
	metalBeside   = 4.0  // mm from metal's places within which no edge is believed: 3 mm, and half of a place
	metalZone     = 22.0 // mm beside a bone's outer edge where metal still is its own
	metalLeast    = 5    // places that make an implant
	markBallLeast = 5.0  // places across a scale ball, at least
	markBallFull  = 0.62 // of its box that a ball fills, at least: π/4 for a disc
	aroundHead    = 5.0  // mm around a head's rim without metal
	aroundMark    = 18.0 // mm around the narrowest neck and a condyle's tangent point without metal
)

// metal is what lies over or beside a traced shaft: its kind by the contract, and
// the places of the film, mm, that it or a letter shades.
type metal struct {
	kind    string
	places  []geom.PointMM
	implant []geom.PointMM // those of them that are an implant's
	filled  []bool         // levels of the trace at which metal lies between the outer edges
}

// findMetal looks for metal along t.
func (t *shaftTrace) findMetal(reduced *plane, sp geom.Spacing) (metal, error) {
	m := metal{kind: ImplantNone, filled: make([]bool, len(t.m.p))}
	v, err := viewMetal(reduced, t.m, sp)
	if err != nil {
		return m, err
	}
	half := t.width() / 2
	if math.IsNaN(half) {
		half = 14
	}
	var sum [metalClasses]float64
	n := 0
	for r := range v.rows {
		for c := range v.cols {
			p := v.prob[r*v.cols+c]
			implant := p[metalIntramedullary] + p[metalPlate] + p[metalStem] + p[metalOther]
			if implant+p[metalMark] < metalProb {
				continue
			}
			q, across := v.at(r, c)
			m.places = append(m.places, q)
			if implant > p[metalMark] {
				m.implant = append(m.implant, q)
			}
			k := int(math.Round((float64(2*r)*metalPitch - metalAbove) / t.m.step))
			if k >= 0 && k < len(m.filled) && math.Abs(across) < half {
				for j := max(0, k-1); j <= min(k+1, len(m.filled)-1); j++ {
					m.filled[j] = true
				}
			}
			if implant > p[metalMark] && math.Abs(across) < half+metalZone {
				n++
				for i := metalIntramedullary; i <= metalOther; i++ {
					sum[i] += p[i]
				}
			}
		}
	}
	switch {
	case n >= metalLeast:
		best := metalIntramedullary
		for i := range sum {
			if sum[i] > sum[best] {
				best = i
			}
		}
		m.kind = implantWords[best]
	case v.ballOver(half):
		m.kind = ImplantOther
	}
	return m, nil
}

// ballOver tells whether a scale ball, or metal that looks like one, lies over the
// bone: a mark that fills its box as no letter does.
func (v *metalView) ballOver(half float64) bool {
	for _, cells := range components(len(v.prob), v.cols, true, func(i int) bool { return v.prob[i][metalMark] > metalProb }) {
		r0, r1, c0, c1 := v.rows, -1, v.cols, -1
		for _, i := range cells {
			r, c := i/v.cols, i%v.cols
			r0, r1, c0, c1 = min(r0, r), max(r1, r), min(c0, c), max(c1, c)
		}
		h, w := float64(r1-r0+1), float64(c1-c0+1)
		_, middle := v.at(r0, (c0+c1)/2)
		if float64(len(cells)) > markBallFull*h*w && math.Min(h, w) > markBallLeast && math.Abs(middle) < half+h*metalPitch {
			return true
		}
	}
	return false
}

// near tells whether metal lies within d mm of q.
func (m *metal) near(q geom.PointMM, d float64) bool { return anyNear(m.places, q, d) }

func anyNear(places []geom.PointMM, q geom.PointMM, d float64) bool {
	for _, p := range places {
		if p.Sub(q).Norm() < d {
			return true
		}
	}
	return false
}

// hides tells whether metal hides the outer and the inner edge of side s at
// level k of t.
func (m *metal) hides(t *shaftTrace, k, s int) (outer, inner bool) {
	l := t.side[s][k]
	n := t.m.n[k]
	if s == 1 {
		n = n.Mul(-1)
	}
	outer = m.near(t.m.p[k].Add(n.Mul(l.outer)), metalBeside)
	return outer, outer || m.filled[k] || m.near(t.m.p[k].Add(n.Mul(l.inner)), metalBeside)
}

// clear takes from t the edges that metal hides. It returns which shares of the
// outer and of the inner edges found from the level from on that were.
func (m *metal) clear(t *shaftTrace, from int) (outer, inner float64) {
	var had, lost [2]float64
	for s := range t.side {
		for k := range t.side[s] {
			l := &t.side[s][k]
			was := *l
			o, i := m.hides(t, k, s)
			l.ok = l.ok && !o
			l.innerOK = l.innerOK && !i
			if k < from || !was.ok {
				continue
			}
			had[0]++
			if !l.ok {
				lost[0]++
			}
			if was.innerOK {
				had[1]++
				if !l.innerOK {
					lost[1]++
				}
			}
		}
	}
	return lost[0] / math.Max(had[0], 1), lost[1] / math.Max(had[1], 1)
}

// parts tells whether a shaft falls into parts, by all its edges and by those that
// metal does not hide. Metal's own edges may make parts of a whole shaft; but where
// fragments lie over each other, bone passes for metal of no known kind: that is
// then no implant.
func (m *metal) parts(all, clear bool) bool {
	known := m.kind != ImplantNone && m.kind != ImplantOther
	if !clear && (known || !all) {
		return false
	}
	if !known {
		m.kind = ImplantNone
	}
	return true
}

// clearJoints takes from f the landmarks of hip and knee that metal covers.
func (m *metal) clearJoints(f *Femur, sp geom.Spacing) {
	if len(m.places) == 0 {
		return
	}
	if c := f.HeadCircle; c != nil && m.near(sp.MM(c.C), c.R+aroundHead) {
		f.HeadCircle = nil
	}
	if f.Neck != nil && m.near(sp.MM(f.Neck.P), aroundMark) {
		f.Neck = nil
	}
	for _, l := range []**Landmark{&f.CondyleLateral, &f.CondyleMedial} {
		// Their outlines were fitted robustly: a letter beside them does no harm.
		if *l != nil && anyNear(m.implant, sp.MM((*l).P), aroundMark) {
			*l = nil
		}
	}
	for _, l := range []**Landmark{&f.GreaterTrochanter, &f.CanalAbove[0], &f.CanalAbove[1]} {
		if *l != nil && m.near(sp.MM((*l).P), metalBeside) {
			*l = nil
		}
	}
}
