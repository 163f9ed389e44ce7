package accuracy

import (
	"math"
	"sort"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// ruler reads the true level at places on the film.
type ruler struct {
	shaft *measure.Shaft
	s     geom.Spacing
}

// newRuler returns nil for a femur without edges.
func newRuler(t *simulate.FemurTruth, s geom.Spacing) *ruler {
	shaft, err := t.Shaft(s)
	if err != nil || len(shaft.S) < 2 {
		return nil
	}
	return &ruler{shaft, s}
}

// at returns the level whose normal passes through p.
func (r *ruler) at(p geom.PointPx) float64 {
	q, near := r.s.MM(p), 0
	for i := range r.shaft.S {
		if q.Sub(r.shaft.Mid[i]).Norm() < q.Sub(r.shaft.Mid[near]).Norm() {
			near = i
		}
	}
	a, b := max(near-1, 0), min(near+1, len(r.shaft.S)-1)
	along := r.shaft.Mid[b].Sub(r.shaft.Mid[a]).Unit()
	return r.shaft.S[near] + q.Sub(r.shaft.Mid[near]).Dot(along)
}

// shift returns what a row's levels have to be raised by to be levels of the
// truth. Both count from the lesser trochanter: 0, so that an error of the
// origin is an error of the level. Else the row's origin is looked up on the
// true shaft; false when that cannot be done.
func shift(row *measure.Femur, t *simulate.FemurTruth, s geom.Spacing) (float64, bool) {
	const tip = "lesser_trochanter"
	if row.Record.LevelOrigin == tip && t.LevelOrigin == tip {
		return 0, true
	}
	r := newRuler(t, s)
	if r == nil || row.Geometry == nil {
		return 0, false
	}
	if row.Record.LevelOrigin == tip {
		p, ok := row.Geometry.Landmarks[tip]
		if !ok {
			return 0, false
		}
		return r.at(p), true
	}
	if len(row.Geometry.Midline) == 0 {
		return 0, false
	}
	return r.at(row.Geometry.Midline[0]), true
}

// originOff returns how far below the truth's level origin a row's lies, in mm;
// false where not both are the lesser trochanter.
func originOff(row *measure.Femur, t *simulate.FemurTruth, s geom.Spacing) (float64, bool) {
	const tip = "lesser_trochanter"
	if row.Record.LevelOrigin != tip || t.LevelOrigin != tip || row.Geometry == nil {
		return 0, false
	}
	p, ok := row.Geometry.Landmarks[tip]
	r := newRuler(t, s)
	if !ok || r == nil {
		return 0, false
	}
	return r.at(p), true
}

// nearest pairs levels with true ones: each used once, the closest first, none
// farther apart than reach. It returns for every truth the index of its level,
// −1 for none.
func nearest(truth, got []float64, reach float64) []int {
	type candidate struct {
		t, g int
		d    float64
	}
	var all []candidate
	for i, t := range truth {
		for j, g := range got {
			if d := math.Abs(g - t); d <= reach {
				all = append(all, candidate{i, j, d})
			}
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].d < all[j].d })
	out := make([]int, len(truth))
	for i := range out {
		out[i] = -1
	}
	taken := make([]bool, len(got))
	for _, c := range all {
		if out[c.t] < 0 && !taken[c.g] {
			out[c.t], taken[c.g] = c.g, true
		}
	}
	return out
}
