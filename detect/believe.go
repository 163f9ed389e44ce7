package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// By how much the odds of what the coarse film told of a shaft grow where there is
// what belongs to a femur that runs and faces so. None is more than one in a few of
// the films would bear out on which the networks err: they may err alike.
const (
	// Of its direction: the tip of the lesser trochanter, which a network of its own
	// tells, at the guide's upper end; at the lower end both condyles, which the network
	// sees that may err in the direction too (it took a lateral hip for a knee, and its
	// direction for 0.83 sure); the tangent fitted to both; a head with its neck.
	tipOdds     = 10
	kneeOdds    = 2
	tangentOdds = 5
	headOdds    = 5

	// Of a frontal view: on lateral ones the condyles lie over each other, though two
	// outlines of one that is turned have a tangent too, and the head in line with the shaft.
	tangentFrontal = 8
	headFrontal    = 200

	// Of the side that it faces, by a head and neck on the other.
	headFacing = 100

	// That it is a femur: none of 70 shafts on films of other bones and things had a
	// head with a neck fitted, 3 a tangent.
	headFemur    = 20
	tangentFemur = 8

	// Of the shaft's width, the distance of a femoral head's centre from the shaft's
	// line, at least: it is 43 mm of some 30 (Noble 1988), that of a humeral head 7 of
	// some 22 (Boileau and Walch 1997).
	headAside = 0.7
)

// surer is the probability p with its odds grown.
func surer(p, odds float64) float64 { return odds * p / (odds*p + 1 - p) }

// believe lets the hip and the knee that were fitted speak for the rest of f.
func (t *shaftTrace) believe(f *Femur, sp geom.Spacing) {
	if f.CondyleLateral != nil && f.CondyleMedial != nil {
		f.Found = surer(f.Found, tangentFemur)
		f.ProximalFirst = surer(f.ProximalFirst, tangentOdds)
		f.FrontalView = surer(f.FrontalView, tangentFrontal)
	}
	if t.ownHead(f, sp) {
		f.Found = surer(f.Found, headFemur)
		f.ProximalFirst = surer(f.ProximalFirst, headOdds)
		f.FrontalView = surer(f.FrontalView, headFrontal)
		if f.LateralClockwise >= 0.5 {
			f.LateralClockwise = surer(f.LateralClockwise, headFacing)
		} else {
			f.LateralClockwise = surer(f.LateralClockwise, 1.0/headFacing)
		}
	}
}

// ownHead tells whether f has a head with a neck as far from the shaft's line as a
// femur's.
func (t *shaftTrace) ownHead(f *Femur, sp geom.Spacing) bool {
	if f.HeadCircle == nil || f.Neck == nil || f.LesserTrochanter == nil {
		return false
	}
	k := t.m.nearest(sp.MM(f.LesserTrochanter.P))
	p, down, ok := t.m.chord(k+int(hipFrom/t.m.step), k+int(hipTo/t.m.step))
	return ok && math.Abs(down.Cross(sp.MM(f.HeadCircle.C).Sub(p))) >= headAside*f.Width
}
