package simulate

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// contourTop and contourStep are where the truth's edges begin, in mm of z, and
// how far apart their points are.
const (
	contourTop  = -28.0
	contourStep = 0.5
	// contourEnd is how far above the joint line they end: the condyles' bow
	// construction wants 50 mm above the lateral condyle, which is the higher.
	contourEnd = 47.0
	// meshContourTop keeps the lesser trochanter, which is part of a mesh, out of
	// the shaft's edges.
	meshContourTop = 14.0
)

// truth returns what is exactly known of the scene on the grid g.
func (t *stage) truth(g grid) Truth {
	out := Truth{Seed: t.Seed, Group: t.Group, Unseen: t.Unseen, Content: t.Content, Contradictions: t.Contradictions, Femurs: []FemurTruth{}}
	out.ScaleBasis, out.Spacing, out.Magnification = t.Facts.Scale()
	for i := range t.legs {
		l := &t.legs[i]
		if l.femur == nil && l.mesh == nil {
			continue
		}
		if f, ok := t.femurTruth(l, g, out); ok {
			out.Femurs = append(out.Femurs, f)
		}
	}
	return out
}

// visible says whether p on the detector is on the film and inside the field.
func (t *stage) visible(p geom.PointMM, g grid) bool {
	q := g.pixel(p)
	return t.field.depth(p) > 0.5 && q.X >= 0 && q.Y >= 0 && q.X <= float64(g.cols-1) && q.Y <= float64(g.rows-1)
}

// landmarks returns the landmarks of a femur on the detector, whether on the film or
// not.
func (t *stage) landmarks(l *stagedLeg, mid []outline) map[string]geom.PointMM {
	b := l.femur
	m := make(map[string]geom.PointMM)
	if l.mesh != nil {
		m["lesser_trochanter"] = l.mesh.trochanter(mid)
		m["head_centre"] = t.Beam.project(l.place.world(l.mesh.Head))
		if l.View == measure.AP {
			t.meshMarks(m, l, mid)
		}
		t.kneeMarks(m, l, mid)
		return m
	}
	rim := func(i int) []geom.PointMM { return t.rim(&b.solids[i].outer, &l.place, 1440) }
	top := mid[0]
	var at0 outline
	for _, q := range mid {
		if abs(q.z) < abs(at0.z) || at0.centre == (geom.PointMM{}) {
			at0 = q
		}
	}
	m["lesser_trochanter"] = extreme(rim(b.lesser), at0.positive.Mul(-1))
	m["head_centre"] = centroid(rim(b.head))
	if l.View == measure.AP {
		m["neck_centre"] = t.waistCentre(l)
	}
	proximal := top.centre.Sub(at0.centre).Unit()
	m["greater_trochanter"] = extreme(rim(b.greater), proximal)
	t.kneeMarks(m, l, mid)
	return m
}

func centroid(p []geom.PointMM) geom.PointMM {
	var c geom.PointMM
	for _, q := range p {
		c = c.Add(q)
	}
	return c.Mul(1 / float64(len(p)))
}

// femurTruth returns false when less than 20 mm of the shaft is on the film.
func (t *stage) femurTruth(l *stagedLeg, g grid, film Truth) (FemurTruth, bool) {
	b := l.femur
	end := l.Anatomy.Length - contourEnd
	top := contourTop
	if l.mesh != nil {
		top = meshContourTop
	}
	all := t.silhouettes(l, top, end, contourStep)
	// The longest run of levels of which all is on the film.
	from, to := 0, 0
	for i, start := 0, 0; i < len(all); i++ {
		if !t.visible(all[i].outerPos, g) || !t.visible(all[i].outerNeg, g) {
			start = i + 1
			continue
		}
		if i+1-start > to-from {
			from, to = start, i+1
		}
	}
	seen := all[from:to]
	if float64(len(seen))*contourStep < 20 {
		return FemurTruth{}, false
	}
	f := FemurTruth{Side: l.Anatomy.Side, View: l.View, LevelOrigin: "shaft_top",
		BoneMagnified: t.Beam.SID / (t.Beam.SID - l.place.at[2]),
		Contours:      make(map[string][]geom.PointPx), Landmarks: make(map[string]geom.PointPx),
		Values: make(map[measure.Quantity]float64), Implant: l.Implant.column(), Rotation: l.rotation()}
	if l.Break != nil {
		f.Broken = true
		return f, true
	}
	names, _ := measure.SideNames(l.View)
	line := func(name string, p func(*outline) geom.PointMM) {
		for i := range seen {
			if q := p(&seen[i]); !math.IsNaN(q.X) {
				f.Contours[name] = append(f.Contours[name], g.pixel(q))
			}
		}
	}
	line("outer_"+names[0], func(o *outline) geom.PointMM { return o.outerPos })
	line("outer_"+names[1], func(o *outline) geom.PointMM { return o.outerNeg })
	line("inner_"+names[0], func(o *outline) geom.PointMM { return o.innerPos })
	line("inner_"+names[1], func(o *outline) geom.PointMM { return o.innerNeg })
	for name, p := range t.landmarks(l, all) {
		if t.visible(p, g) {
			f.Landmarks[name] = g.pixel(p)
		}
	}
	if _, ok := f.Landmarks["lesser_trochanter"]; ok {
		f.LevelOrigin = "lesser_trochanter"
	}
	if _, ok := f.Landmarks["head_centre"]; ok {
		rim := t.headRim(l)
		shown := 0
		mm := make([]geom.PointMM, len(rim))
		s := measuringSpacing(film, t.Plate)
		for i, p := range rim {
			mm[i] = s.MM(g.pixel(p))
			if t.visible(p, g) {
				shown++
			}
		}
		if c, _, err := measure.FitCircle(mm, nil); err == nil && 2*shown >= len(rim) {
			f.HeadCircle = &measure.CirclePx{C: s.Px(c.C), R: c.R / s.X}
		}
	}
	spacing := measuringSpacing(film, t.Plate)
	shaft := f.measure(spacing, film.ScaleBasis != "none")
	f.Metal = t.metal(l, shaft, seen, g, spacing)
	if shaft != nil && b != nil && l.View == measure.AP {
		f.Focal = t.focal(l, shaft, g, spacing)
		f.Confounders = t.confounders(l, shaft, g, spacing)
	}
	return f, true
}

// measuringSpacing is the film's scale, or the detector's where the header
// yields none, so that angles and ratios can be had.
func measuringSpacing(film Truth, p Plate) geom.Spacing {
	if film.ScaleBasis == "none" {
		return p.Spacing
	}
	return film.Spacing
}
