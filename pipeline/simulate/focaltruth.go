package simulate

import (
	"math"

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
		height, outer := make([]float64, len(with)), make([]float64, len(with))
		peak := 0
		for i := range with {
			n := mm(with[i].centre.Add(with[i].positive)).Sub(mm(with[i].centre)).Unit()
			outwards, inwards := mm(with[i].outerPos).Sub(mm(base[i].outerPos)).Dot(n), mm(base[i].innerPos).Sub(mm(with[i].innerPos)).Dot(n)
			height[i], outer[i] = outwards+inwards, outwards
			if height[i] > height[peak] {
				peak = i
			}
		}
		peak = middleOfTop(height, peak)
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
			OuterFraction: outer[peak] / height[peak],
			LineWidthMM:   f.LineWidth * mm(with[peak].centre.Add(geom.PointMM{X: 1})).Sub(mm(with[peak].centre)).Norm() * l.magnification(t.Beam),
			LineDepth:     f.LineDepth, LineAngleDeg: t.lineAngle(l, f, shaft, g, s)})
	}
	return out
}

// lineAngle returns the tilt of a lucent line on the film within the cortex: from
// square to the mid-line there, + where it runs distally inward.
func (t *stage) lineAngle(l *stagedLeg, f Focal, shaft *measure.Shaft, g grid, s geom.Spacing) float64 {
	if f.LineWidth <= 0 {
		return 0
	}
	st := l.femur.outer.st[int((f.Level-l.femur.outer.z0)/tubeStep)]
	sn, cs := sincosDeg(f.LineAngle)
	const inward = 3.0 // mm
	at := func(d float64) geom.PointMM {
		return s.MM(g.pixel(t.Beam.project(l.place.world(vec{st.cx + st.xp - d*cs, st.cy, f.Level + d*sn}))))
	}
	p, d := at(0), at(inward).Sub(at(0))
	near := 0
	for i := range shaft.S {
		if p.Sub(shaft.Mid[i]).Norm() < p.Sub(shaft.Mid[near]).Norm() {
			near = i
		}
	}
	along := shaft.Mid[min(near+1, len(shaft.S)-1)].Sub(shaft.Mid[max(near-1, 0)]).Unit()
	return math.Atan2(d.Dot(along), -d.Dot(shaft.Normal[near])) * 180 / math.Pi
}

// middleOfTop returns the middle of the levels around peak that are nearly as high:
// a plateau's peak.
func middleOfTop(height []float64, peak int) int {
	const nearly = 0.98
	lo, hi := peak, peak
	for lo > 0 && height[lo-1] >= nearly*height[peak] {
		lo--
	}
	for hi < len(height)-1 && height[hi+1] >= nearly*height[peak] {
		hi++
	}
	return (lo + hi) / 2
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

// confounders returns what lies on the shaft that is no focal thickening.
func (t *stage) confounders(l *stagedLeg, shaft *measure.Shaft, g grid, s geom.Spacing) []ConfounderTruth {
	var out []ConfounderTruth
	m := l.magnification(t.Beam) * t.measuredAt(g, s)
	add := func(kind string, z, height, length float64) {
		x, y := l.femur.outer.centre(z)
		p := t.Beam.project(l.place.world(vec{x, y, z}))
		if height > 0 && t.visible(p, g) {
			out = append(out, ConfounderTruth{kind, levelOf(shaft, s.MM(g.pixel(p))), height * m, length * m})
		}
	}
	r := &l.Anatomy.Relief
	add("gluteal_ridge", r.Gluteal.Level, r.Gluteal.Height, r.Gluteal.Length)
	for i := range r.Callus {
		add("callus", r.Callus[i].Level, r.Callus[i].Height, r.Callus[i].Length)
	}
	add("medial", r.Medial.Level, r.Medial.Height, r.Medial.Length)
	if n := r.Nutrient; n != nil {
		add("nutrient_canal", n.Z, 2*n.Radius, n.Length)
	}
	return out
}

// measuredAt is the length under the spacing s of a millimetre on the detector.
func (t *stage) measuredAt(g grid, s geom.Spacing) float64 {
	a, b := geom.PointMM{}, geom.PointMM{X: 1}
	return s.MM(g.pixel(b)).Sub(s.MM(g.pixel(a))).Norm()
}
