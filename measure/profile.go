package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// Profile returns the shaft level by level as the edges give it, unsmoothed.
// The uncertainties are those of opt.Errors for one level, without those of
// the level itself; NaN means not measured there.
func (s *Shaft) Profile(opt ShaftOptions) []ProfileRow {
	d := s.diaphysis(opt.HasOrigin)
	p, _ := s.midPoints(span{d.from, d.to})
	var a, across geom.PointMM
	if len(p) >= 2 {
		a, across = p[0], s.normal(p[len(p)-1].Sub(p[0]).Unit())
	}
	outer, canal, offset := s.OuterWidth(), s.CanalWidth(), s.midOffset()
	sigma := s.sigmas()
	u95 := func(i int, sign [4]float64) float64 {
		var white, outer, inner float64
		for e, k := range sign {
			if k == 0 {
				continue
			}
			model := opt.Errors.Outer
			if e >= 2 {
				model = opt.Errors.Inner
				inner += k
			} else {
				outer += k
			}
			white += square(model.White*(*sigma[e])[i]) + square(model.Drift)
		}
		return expanded(white + square(outer*opt.Errors.Outer.Bias) + square(inner*opt.Errors.Inner.Bias))
	}
	rows := make([]ProfileRow, len(s.S))
	for i := range rows {
		row := &rows[i]
		row.LevelMM = s.S[i]
		row.PositiveCortexMM = s.OuterPos[i] - s.InnerPos[i]
		row.NegativeCortexMM = s.OuterNeg[i] - s.InnerNeg[i]
		row.OuterWidthMM, row.CanalWidthMM = outer[i], canal[i]
		row.PositiveCortexU95MM = u95(i, cortexPos)
		row.NegativeCortexU95MM = u95(i, cortexNeg)
		row.OuterWidthU95MM, row.CanalWidthU95MM = u95(i, outerBoth), u95(i, innerBoth)
		row.MidlineOffsetMM = math.NaN()
		if len(p) >= 2 {
			row.MidlineOffsetMM = s.Mid[i].Add(s.Normal[i].Mul(offset[i])).Sub(a).Dot(across)
		}
	}
	return rows
}
