package simulate

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// trims are the lengths of the outer edges, in mm, that are left out at the
// proximal and the distal end until the mid-line settles: where the metaphyses
// widen, normals of the mid-line may meet the edges anywhere.
var trims = [][2]float64{{0, 0}, {8, 0}, {0, 12}, {8, 12}, {18, 25}, {30, 40}}

// Shaft returns the truth's shaft in mm under the spacing s, levels counted from
// the lesser trochanter where it is on the film.
func (f *FemurTruth) Shaft(s geom.Spacing) (shaft *measure.Shaft, err error) {
	edge := func(name string, trim [2]float64) measure.Edge {
		var e measure.Edge
		for _, p := range f.Contours[name] {
			e.P = append(e.P, s.MM(p))
		}
		a, b := int(trim[0]/contourStep), int(trim[1]/contourStep)
		if len(e.P) > a+b {
			e.P = e.P[a : len(e.P)-b]
		}
		return e
	}
	pos, neg := PositiveName(f.View), NegativeName(f.View)
	for _, trim := range trims {
		shaft, err = measure.NewShaft(measure.Contours{
			OuterPos: edge("outer_"+pos, trim), OuterNeg: edge("outer_"+neg, trim),
			InnerPos: edge("inner_"+pos, [2]float64{}), InnerNeg: edge("inner_"+neg, [2]float64{})}, 1)
		if err == nil {
			break
		}
	}
	if err != nil {
		return nil, err
	}
	if tip, ok := f.Landmarks["lesser_trochanter"]; ok {
		shaft.SetOrigin(s.MM(tip))
	}
	return shaft, nil
}

// measure fills Values, Midline and the diaphysis' ends, and returns the shaft,
// from the exact edges
// and landmarks by the contract's constructions.
func (f *FemurTruth) measure(s geom.Spacing, scaled bool) *measure.Shaft {
	shaft, err := f.Shaft(s)
	if err != nil {
		return nil
	}
	_, origin := f.Landmarks["lesser_trochanter"]
	var r measure.Record
	shaft.Measure(&r, measure.ShaftOptions{View: f.View, HasOrigin: origin, HasScale: scaled})
	for q, v := range r.Values {
		f.Values[q] = v.X
	}
	from, to, cutProximal, cutDistal := shaft.Diaphysis(origin)
	f.DiaphysisFrom, f.DiaphysisTo, f.Whole = from, to, !cutProximal && !cutDistal
	for i := range shaft.S {
		if p := midPoint(shaft, i); !math.IsNaN(p.X) {
			f.Midline = append(f.Midline, s.Px(p))
		}
	}
	if f.HeadCircle != nil && scaled {
		f.Values[measure.HeadDiameter] = 2 * f.HeadCircle.R * s.X
	}
	if origin {
		if wide, ok := canalAt(shaft, -20); ok {
			if w, ok := narrowest(shaft, from, to); ok && f.isthmusShown() {
				f.Values[measure.CanalFlareIndex] = wide / w
			}
		}
	}
	if f.View == measure.AP {
		f.anglesOf(shaft, s, scaled)
	}
	return shaft
}

// anglesOf fills the columns of hip and knee, which AP films have.
func (f *FemurTruth) anglesOf(shaft *measure.Shaft, s geom.Spacing, scaled bool) {
	from, to := f.DiaphysisFrom, f.DiaphysisTo
	_, origin := f.Landmarks["lesser_trochanter"]
	length := func(q measure.Quantity, v float64) {
		if scaled {
			f.Values[q] = v
		}
	}
	mark := func(name string) (geom.PointMM, bool) {
		p, ok := f.Landmarks[name]
		return s.MM(p), ok
	}
	head, hasHead := mark("head_centre")
	neck, hasNeck := mark("neck_centre")
	lat, hasLat := mark("condyle_lateral")
	med, hasMed := mark("condyle_medial")
	knee := lat.Add(med).Mul(0.5)
	if proximal, ok := axis(shaft, 20, 80); ok && origin && hasHead {
		length(measure.FemoralOffset, math.Abs(head.Sub(proximal.P).Cross(proximal.D)))
		if hasNeck {
			f.Values[measure.NeckShaftAngle] = degreesBetween(proximal.D, head.Sub(neck))
		}
	}
	if origin && hasLat {
		f.bow50(shaft, lat)
	}
	if !hasLat || !hasMed {
		return
	}
	tangent := lat.Sub(med)
	if f.Whole {
		if distal, ok := axis(shaft, to-(to-from)/4, to); ok {
			f.Values[measure.AnatomicLateralDistal] = degreesBetween(distal.D.Mul(-1), tangent)
		}
	}
	if hasHead {
		mechanical := head.Sub(knee)
		f.Values[measure.MechanicalLateralDistal] = degreesBetween(mechanical, tangent)
		if f.Whole {
			if whole, ok := axis(shaft, from, to); ok {
				f.Values[measure.AnatomicMechanicalAngle] = degreesBetween(mechanical, whole.D.Mul(-1))
			}
		}
	}
}

// bow50 fills bow_angle_50mm_deg: the line through the mid-points 0 and 50 mm
// below the level origin against the line through those 50 and 100 mm above the
// most distal place of the lateral condyle, + apex lateral.
func (f *FemurTruth) bow50(shaft *measure.Shaft, condyle geom.PointMM) {
	n := len(shaft.S)
	if n < 100 {
		return
	}
	// The condyle lies beyond the mid-line's end: its level is read on the line
	// through the last 40 mm.
	last, ok := axis(shaft, shaft.S[n-1]-40, shaft.S[n-1])
	if !ok {
		return
	}
	level := shaft.S[n-1] + condyle.Sub(shaft.Mid[n-1]).Dot(last.D)
	p0, ok0 := midPointAt(shaft, 0)
	p1, ok1 := midPointAt(shaft, 50)
	p2, ok2 := midPointAt(shaft, level-100)
	p3, ok3 := midPointAt(shaft, level-50)
	if ok0 && ok1 && ok2 && ok3 {
		a, b := p1.Sub(p0), p3.Sub(p2)
		deg := degreesBetween(a, b)
		// With the apex to the positive side the line turns to the negative side.
		if a.Cross(b)*a.Cross(shaft.Normal[0]) > 0 {
			deg = -deg
		}
		f.Values[measure.BowAngle50] = deg
	}
}

// midPointAt interpolates the middle of the outer edges at a level.
func midPointAt(s *measure.Shaft, level float64) (geom.PointMM, bool) {
	for i := 1; i < len(s.S); i++ {
		if s.S[i-1] <= level && level <= s.S[i] {
			k := (level - s.S[i-1]) / (s.S[i] - s.S[i-1])
			p := midPoint(s, i-1).Mul(1 - k).Add(midPoint(s, i).Mul(k))
			return p, !math.IsNaN(p.X)
		}
	}
	return geom.PointMM{}, false
}

// isthmusShown says whether the shaft's isthmus was measured.
func (f *FemurTruth) isthmusShown() bool {
	_, ok := f.Values[measure.IsthmusCorticalIndex]
	return ok
}

// midPoint returns the middle of the outer edges at level i.
func midPoint(s *measure.Shaft, i int) geom.PointMM {
	return s.Mid[i].Add(s.Normal[i].Mul((s.OuterPos[i] - s.OuterNeg[i]) / 2))
}

// axis returns the least-squares line through the mid-points from level a to b,
// running distally; false when they are not all there.
func axis(s *measure.Shaft, a, b float64) (geom.Line, bool) {
	if len(s.S) == 0 || s.S[0] > a || s.S[len(s.S)-1] < b {
		return geom.Line{}, false
	}
	var p []geom.PointMM
	for i, level := range s.S {
		if q := midPoint(s, i); level >= a && level <= b && !math.IsNaN(q.X) {
			p = append(p, q)
		}
	}
	fit, err := measure.FitLine(p, nil)
	if err != nil {
		return geom.Line{}, false
	}
	if fit.D.Dot(p[len(p)-1].Sub(p[0])) < 0 {
		fit.D = fit.D.Mul(-1)
	}
	return geom.Line{P: fit.P, D: fit.D}, true
}

// canalAt interpolates the canal's width at a level.
func canalAt(s *measure.Shaft, level float64) (float64, bool) {
	w := s.CanalWidth()
	for i := 1; i < len(s.S); i++ {
		if s.S[i-1] <= level && level <= s.S[i] {
			k := (level - s.S[i-1]) / (s.S[i] - s.S[i-1])
			v := w[i-1] + k*(w[i]-w[i-1])
			return v, !math.IsNaN(v)
		}
	}
	return 0, false
}

// narrowest returns the least canal width of the diaphysis.
func narrowest(s *measure.Shaft, from, to float64) (float64, bool) {
	least := math.Inf(1)
	for i, w := range s.CanalWidth() {
		if s.S[i] >= from && s.S[i] <= to && w < least {
			least = w
		}
	}
	return least, !math.IsInf(least, 1)
}

func degreesBetween(a, b geom.PointMM) float64 {
	return math.Atan2(math.Abs(a.Cross(b)), a.Dot(b)) * 180 / math.Pi
}
