package measure

import (
	"fmt"
	"math"

	"shaftgauge/measure/geom"
)

// ProjectedNeckShaft returns the neck-shaft angle that a film shows of a true
// one when the neck points turn out of the film's plane, for a parallel beam and
// a shaft parallel to the film. It is never below the true angle.
//
// Source: vector geometry, tan(180° − projected) = tan(180° − true)·cos(turn):
// only the part of the neck that is square to the shaft is foreshortened.
func ProjectedNeckShaft(true, turn geom.Angle) geom.Angle {
	sin, cos := math.Sincos(math.Pi - float64(true))
	return geom.Angle(math.Pi - math.Atan2(sin*math.Cos(float64(turn)), cos))
}

// ApparentBow returns the coronal bow, as an angle, a sagitta or a curvature,
// that an AP film shows of a femur turned about its long axis, + inwards: the
// two planes mix.
//
// Source: projection of a slightly bent rod, coronal·cos(turn) +
// sagittal·sin(turn), to the first order of the bow.
func ApparentBow(coronal, sagittal float64, turn geom.Angle) float64 {
	sin, cos := math.Sincos(float64(turn))
	return coronal*cos + sagittal*sin
}

// legTurned says to a reader what a turned leg does to the numbers of its row.
func legTurned() string {
	const neck, turn, bow = 125, 20, 10 // degrees: an adult's neck-shaft angle, two turns
	rad := func(deg float64) geom.Angle { return geom.Angle(deg * math.Pi / 180) }
	return fmt.Sprintf("How the hip looks suggests that the leg was turned. This raises the projected neck-shaft angle, whichever way it was turned "+
		"(one of %d degrees by %.1f where the neck points %d degrees out of the film's plane), and mixes the planes of bow "+
		"(a turn of %d degrees adds or takes away %.0f %% of the bow in the other plane).",
		neck, ProjectedNeckShaft(rad(neck), rad(turn)).Degrees()-neck, turn, bow, 100*ApparentBow(0, 1, rad(bow)))
}

// The medial outline below the lesser trochanter, in mm below its tip, whose
// line is prolonged upwards past it.
const outlineFrom, outlineTo geom.MM = 10, 40

// Profiles of the lesser trochanter outside of these say that the leg was
// turned: hidden by the shaft, or standing far out. A weak sign, since the
// trochanter's size and direction differ between people. Of 417 simulated femora
// with exact edges, turned evenly by up to 45°, the first holds for 75 % of those
// turned inwards by more than 20° and the second for 24 % of those turned
// outwards by as much; one of the two for 10 % of those turned by less than 10°.
// On one real surface both ways of turning hide it, from 35° on.
const hiddenProfile, fullProfile = -0.06, 0.30

// turnedFrom is the turn by how the hip looks from which a leg is called turned.
// On 68 simulated hips it held for 2 of 3 turned by more than 20° and for 2 of 44
// turned by less than 10°; on 71 of real surfaces of many shapes, drawn by another
// maker, for 2 of 2 and for 4 of 41: a hip alone does not tell a turned leg from a
// turned neck. From 15° on, it would hold for 3 of the 5 and 2 of the 85.
const turnedFrom = geom.Angle(12 * math.Pi / 180)

// trochanter sets trochanter_profile_ratio and says whether the leg was turned: by
// how the hip looks, else by that ratio.
func (m *joints) trochanter() {
	if m.Turn != nil && math.Abs(float64(*m.Turn)) > float64(turnedFrom) {
		m.r.AddReason(LegTurned)
	}
	if !m.opt.HasOrigin || m.LesserTrochanter == nil {
		return // said
	}
	x, g, ok := m.profileRatio(m.LesserTrochanter.P)
	if !ok {
		m.missing(AxisNotVisible)
		return
	}
	variance := m.variance(g, m.opt.Errors) + m.scattered(func(j Joints) float64 {
		if y, _, ok := m.profileRatio(j.LesserTrochanter.P); ok {
			return y
		}
		return x
	})
	m.r.Set(TrochanterProfile, x, expanded(variance))
	if m.Turn == nil && (x < hiddenProfile || x > fullProfile) {
		m.r.AddReason(LegTurned)
	}
}

// TipProfile returns how far a tip stands out of the outline of the negative side
// below it, in widths of the shaft, as trochanter_profile_ratio does.
func (s *Shaft) TipProfile(tip geom.PointMM) (ratio float64, ok bool) {
	ratio, _, ok = s.profileRatio(tip)
	return ratio, ok
}

// profileRatio returns how far the tip stands out of the line through the
// negative outer edge 10 to 40 mm below the origin, over the mean outer width
// there, with the gradient to the edges.
func (s *Shaft) profileRatio(tip geom.PointMM) (x float64, g gradient, ok bool) {
	var p []geom.PointMM
	var level []int
	width := 0.0
	for i, at := range s.S {
		if at < outlineFrom || at > outlineTo || math.IsNaN(s.OuterPos[i]+s.OuterNeg[i]) {
			continue
		}
		p = append(p, s.Mid[i].Sub(s.Normal[i].Mul(s.OuterNeg[i])))
		level = append(level, i)
		width += s.OuterPos[i] + s.OuterNeg[i]
	}
	n := float64(len(p))
	if n < mostSeen*(outlineTo-outlineFrom)/s.Step {
		return 0, g, false
	}
	line, err := FitLine(p, nil)
	if err != nil {
		return 0, g, false
	}
	width /= n
	out := s.normal(line.D).Mul(-1)
	x = tip.Sub(line.P).Dot(out) / width
	along := tip.Sub(line.P).Dot(line.D)
	spread := 0.0
	for _, q := range p {
		spread += square(q.Sub(line.P).Dot(line.D))
	}
	g = s.newGradient()
	for j, q := range p {
		i := level[j]
		g[0][i] = -x / (n * width)
		g[1][i] = -(1/n+along*q.Sub(line.P).Dot(line.D)/spread)/width - x/(n*width)
	}
	return x, g, true
}
