package detect

import (
	"math"
	"slices"

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

// ballRing is what lies around a ball, in its radii.
var ballRing = [2]float64{1.2, 1.6}

var implantWords = [metalClasses]string{metalIntramedullary: ImplantIntramedullary, metalPlate: ImplantPlate, metalStem: ImplantStem, metalOther: ImplantOther}

const (
	metalProb   = 0.55 // from which a place shows metal: more than one network alone says
	metalSure   = 0.8  // from which it makes an implant: one network's doubt is no more than two fifths
	metalBeside = 4.0  // mm across the shaft within which no edge beside metal is believed: 3 mm, and half of a place
	metalAlong  = 5.0  // mm along it: half of a level more
	metalZone   = 22.0 // mm beside a bone's outer edge where metal still is its own
	metalLeast  = 5    // such places that make one
	metalOver   = 2.0  // mm outside a bone's outer edge up to which metal lies over it
	ballLeast   = 11   // places across a scale ball, at least: 20 mm, where buttons are 11 to 18 (common practice, no source)
	ballRound   = 1.3  // times its box's shorter side that the longer is, at most
	ballCore    = 0.75 // of its radius within which a ball is bright throughout,
	ballLevel   = 0.4  // of the way from the film around it to its brightest tenth,
	ballDark    = 0.1  // but for so much of that
	aroundHead  = 5.0  // mm around a head's rim without metal
	aroundTip   = 40.0 // mm around the place of the lesser trochanter without metal, else its level is not guessed
	aroundMark  = 18.0 // mm around the narrowest neck and a condyle's tangent point without metal
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
func (t *shaftTrace) findMetal(full, reduced *plane, sp geom.Spacing) (metal, error) {
	m := metal{kind: ImplantNone, filled: make([]bool, len(t.m.p))}
	v, err := viewMetal(reduced, t.m, sp)
	if err != nil {
		return m, err
	}
	v.dismissSpecks(full, sp, t.contrast())
	v.nameRulers()
	half := t.width() / 2
	if math.IsNaN(half) {
		half = 14
	}
	var sum [metalClasses]float64
	n, over := 0, 0
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
			if implant > p[metalMark] && implant+p[metalMark] >= metalSure && math.Abs(across) < half+metalZone {
				n++
				if math.Abs(across) < half+metalOver {
					over++
				}
				for i := metalIntramedullary; i <= metalOther; i++ {
					sum[i] += p[i]
				}
			}
		}
	}
	m.kind = kindOf(sum, n, over)
	if m.kind == ImplantNone && v.ballOver(half) {
		m.kind = ImplantOther
	}
	return m, nil
}

// kindOf names the metal at a bone by the sums of its kinds' probabilities over
// the n sure places near the bone, of which so many lie over it. Plates, nails and stems
// are told by their own shape. What is none of them is the bone's if it lies over
// it: a ruler or a clip beside the bone is on the skin or on the table.
func kindOf(sum [metalClasses]float64, n, over int) string {
	best := metalIntramedullary
	for i := range sum {
		if sum[i] > sum[best] {
			best = i
		}
	}
	if n < metalLeast || best == metalOther && over < metalLeast {
		return ImplantNone
	}
	return implantWords[best]
}

// ballOver tells whether a scale ball, or metal that looks like one, lies over the
// bone: a round mark behind which the film is bright throughout, as no letter is.
func (v *metalView) ballOver(half float64) bool {
	for _, cells := range components(len(v.prob), v.cols, true, func(i int) bool { return v.prob[i][metalMark] > metalProb }) {
		r0, r1, c0, c1 := v.box(cells)
		h, w := float64(r1-r0+1), float64(c1-c0+1)
		_, middle := v.at(r0, (c0+c1)/2)
		if math.Min(h, w) >= ballLeast && math.Max(h, w) <= ballRound*math.Min(h, w) &&
			math.Abs(middle) < half+h*metalPitch && v.solid(float64(r0+r1)+0.5, float64(c0+c1)+0.5, (h+w)/2) {
			return true
		}
	}
	return false
}

// solid tells whether the film is bright all over a disc, against what lies around
// it. Middle and radius are in pixels of the strip.
func (v *metalView) solid(r, c, radius float64) bool {
	var disc, core, around []float64
	for k := max(0, int(r-2*radius)); k < min(v.strip.rows, int(r+2*radius)); k++ {
		for j := max(0, int(c-2*radius)); j < min(metalCols, int(c+2*radius)); j++ {
			z := v.strip.row(k)[j]
			d := math.Hypot(float64(k)-r, float64(j)-c) / radius
			switch {
			case math.IsNaN(z):
			case d < ballCore:
				disc, core = append(disc, z), append(core, z)
			case d < 1:
				disc = append(disc, z)
			case d > ballRing[0] && d < ballRing[1]:
				around = append(around, z)
			}
		}
	}
	if len(core) == 0 || len(around) == 0 {
		return false
	}
	slices.Sort(disc)
	base := median(around)
	least := base + ballLevel*(disc[len(disc)*9/10]-base)
	dark := 0
	for _, z := range core {
		if z <= least {
			dark++
		}
	}
	return float64(dark) <= ballDark*float64(len(core))
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
	outer = m.touches(t.m.p[k].Add(n.Mul(l.outer)), n)
	return outer, outer || m.filled[k] || m.touches(t.m.p[k].Add(n.Mul(l.inner)), n)
}

// touches tells whether metal lies beside p on an edge that n is square to.
func (m *metal) touches(p, n geom.PointMM) bool {
	for _, q := range m.places {
		d := q.Sub(p)
		if math.Abs(d.Dot(n)) < metalBeside && math.Abs(d.X*n.Y-d.Y*n.X) < metalAlong {
			return true
		}
	}
	return false
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

// clearJoints takes from f the landmarks of hip and knee that an implant lies
// over or beside, and those without an outline of their own that any metal covers.
func (m *metal) clearJoints(f *Femur, sp geom.Spacing) {
	if len(m.places) == 0 {
		return
	}
	// Outlines are fitted beside the places of a letter: that does no harm.
	if c := f.HeadCircle; c != nil && anyNear(m.implant, sp.MM(c.C), math.Max(c.R, headUsual)+aroundHead) {
		f.HeadCircle, f.Turn = nil, nil
	}
	for _, l := range []**Landmark{&f.Neck, &f.CondyleLateral, &f.CondyleMedial} {
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
