package dicom

import (
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// marks says which parts of a femur's geometry a quantity was taken from.
type marks func(*measure.Geometry, frameSize) []mark

// mark is a part of the geometry and what it is to the quantity.
type mark struct {
	purpose Code
	shape   shape
}

// coarse is how many points of a line a measurement carries; the presentation
// state has all of them.
const coarse = 48

func as(purpose Code, shapes []shape) []mark {
	out := make([]mark, len(shapes))
	for i, s := range shapes {
		out[i] = mark{purpose, s}
	}
	return out
}

func noMarks(*measure.Geometry, frameSize) []mark { return nil }

func alongMidline(g *measure.Geometry, f frameSize) []mark {
	return as(sourceOfMeasurement, f.polylines(g.Midline, coarse))
}

func atLevel(label string) marks {
	return func(g *measure.Geometry, f frameSize) []mark {
		l, ok := g.Levels[label]
		if !ok {
			return nil
		}
		return as(sourceOfMeasurement, f.polylines(l[:], 2))
	}
}

func neckAxis(g *measure.Geometry, f frameSize) []mark {
	head, ok1 := g.Landmarks["head_centre"]
	neck, ok2 := g.Landmarks["neck_centre"]
	if !ok1 || !ok2 {
		return alongMidline(g, f)
	}
	return append(as(armOfAngle, f.polylines([]geom.PointPx{head, neck}, 2)), alongMidline(g, f)...)
}

func condyles(g *measure.Geometry, f frameSize) []mark {
	lateral, ok1 := g.Landmarks["condyle_lateral"]
	medial, ok2 := g.Landmarks["condyle_medial"]
	if !ok1 || !ok2 {
		return alongMidline(g, f)
	}
	return append(as(armOfAngle, f.polylines([]geom.PointPx{lateral, medial}, 2)), alongMidline(g, f)...)
}

func headCircle(g *measure.Geometry, f frameSize) []mark {
	c, ok := g.Circles["head"]
	if !ok {
		return nil
	}
	return as(sourceOfMeasurement, f.circle(c))
}

func headCentre(g *measure.Geometry, f frameSize) []mark {
	var out []mark
	if p, ok := g.Landmarks["head_centre"]; ok {
		out = as(sourceOfMeasurement, f.point(p))
	}
	return append(out, alongMidline(g, f)...)
}

func trochanterTip(g *measure.Geometry, f frameSize) []mark {
	p, ok := g.Landmarks["lesser_trochanter"]
	if !ok {
		return nil
	}
	return as(sourceOfMeasurement, f.point(p))
}

// mainFocal is the highest focal thickening, the one that the row names.
func mainFocal(g *measure.Geometry, f frameSize) []mark {
	var top *measure.FocalPx
	for i := range g.Focal {
		if top == nil || g.Focal[i].HeightMM > top.HeightMM {
			top = &g.Focal[i]
		}
	}
	if top == nil {
		return nil
	}
	return focalMark(*top, f)
}

func focalMark(t measure.FocalPx, f frameSize) []mark {
	return as(sourceOfMeasurement, f.polylines([]geom.PointPx{t.From, t.Peak, t.To}, 3))
}
