package simulate

import (
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// focal returns the focal thickenings as the film shows them: the lateral
// cortex against that of the same bone without them.
func (t *stage) focal(l *stagedLeg, shaft *measure.Shaft, g grid, s geom.Spacing) []FocalTruth {
	var out []FocalTruth
	without := *l
	plain := l.Anatomy
	plain.Focal = nil
	without.femur = plain.build()
	mm := func(p geom.PointMM) geom.PointMM { return s.MM(g.pixel(p)) }
	for _, f := range l.Anatomy.Focal {
		from, to := f.Level-2*f.Length, f.Level+2*f.Length
		with, base := t.silhouettes(l, from, to, contourStep), t.silhouettes(&without, from, to, contourStep)
		height := make([]float64, len(with))
		peak := 0
		var outer float64
		for i := range with {
			n := mm(with[i].centre.Add(with[i].positive)).Sub(mm(with[i].centre)).Unit()
			outwards, inwards := mm(with[i].outerPos).Sub(mm(base[i].outerPos)).Dot(n), mm(base[i].innerPos).Sub(mm(with[i].innerPos)).Dot(n)
			height[i] = outwards + inwards
			if height[i] > height[peak] {
				peak, outer = i, outwards
			}
		}
		if !t.visible(with[peak].outerPos, g) || !(height[peak] > 0) {
			continue
		}
		at := mm(with[peak].outerPos)
		lo, hi := peak, peak
		for lo > 0 && height[lo] > height[peak]/2 {
			lo--
		}
		for hi < len(height)-1 && height[hi] > height[peak]/2 {
			hi++
		}
		out = append(out, FocalTruth{LevelMM: levelOf(shaft, at), HeightMM: height[peak],
			LengthMM:      mm(with[hi].centre).Sub(mm(with[lo].centre)).Norm(),
			OuterFraction: outer / height[peak],
			LineWidthMM:   f.LineWidth * mm(with[peak].centre.Add(geom.PointMM{X: 1})).Sub(mm(with[peak].centre)).Norm() * l.magnification(t.Beam),
			LineDepth:     f.LineDepth, LineAngleDeg: f.LineAngle})
	}
	return out
}

// magnification of the bone's middle.
func (l *stagedLeg) magnification(b Beam) float64 { return b.SID / (b.SID - l.place.at[2]) }

// levelOf returns the level whose normal passes through p.
func levelOf(s *measure.Shaft, p geom.PointMM) float64 {
	near := 0
	for i := range s.S {
		if p.Sub(s.Mid[i]).Norm() < p.Sub(s.Mid[near]).Norm() {
			near = i
		}
	}
	a, b := max(near-1, 0), min(near+1, len(s.S)-1)
	along := s.Mid[b].Sub(s.Mid[a]).Unit()
	return s.S[near] + p.Sub(s.Mid[near]).Dot(along)
}
