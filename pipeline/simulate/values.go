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
	names, _ := measure.SideNames(f.View)
	for _, trim := range trims {
		shaft, err = measure.NewShaft(measure.Contours{
			OuterPos: edge("outer_"+names[0], trim), OuterNeg: edge("outer_"+names[1], trim),
			InnerPos: edge("inner_"+names[0], [2]float64{}), InnerNeg: edge("inner_"+names[1], [2]float64{})}, 1)
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
	opt := measure.ShaftOptions{View: f.View, HasOrigin: origin, HasScale: scaled}
	shaft.Measure(&r, opt)
	shaft.MeasureJoints(&r, opt, f.joints(shaft, s))
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
	return shaft
}

// joints returns the exact landmarks of hip and knee.
func (f *FemurTruth) joints(shaft *measure.Shaft, s geom.Spacing) measure.Joints {
	mark := func(name string) *measure.Landmark {
		if p, ok := f.Landmarks[name]; ok {
			return &measure.Landmark{P: s.MM(p)}
		}
		return nil
	}
	j := measure.Joints{LesserTrochanter: mark("lesser_trochanter"), GreaterTrochanter: mark("greater_trochanter"),
		CondyleLateral: mark("condyle_lateral"), CondyleMedial: mark("condyle_medial")}
	own := f.Implant != "stem" // whose head and neck are cut off
	if own {
		j.Neck = mark("neck_centre")
	}
	if c := mark("head_centre"); c != nil && own {
		j.Head = &measure.HeadCircle{C: c.P}
		if f.HeadCircle != nil { // half of the rim or more is shown
			j.Head.R = f.HeadCircle.R * s.X
		}
	}
	if w, ok := canalAt(shaft, -20); ok {
		j.CanalAbove = &measure.Value{X: w}
	}
	return j
}

// midPoint returns the middle of the outer edges at level i.
func midPoint(s *measure.Shaft, i int) geom.PointMM {
	return s.Mid[i].Add(s.Normal[i].Mul((s.OuterPos[i] - s.OuterNeg[i]) / 2))
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
