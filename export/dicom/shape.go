package dicom

import (
	"math"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// shape is a graphic of SCOORD and of presentation states: a POINT, a POLYLINE
// or a CIRCLE (its centre and a point of its rim).
type shape struct {
	kind   string
	points []geom.PointPx
}

// frameSize is the image in which shapes must lie: a DICOM coordinate is from 0
// to the number of columns or rows (PS3.3 C.10.5.1.2, C.18.6.1.1).
type frameSize struct{ rows, cols int }

func (f frameSize) holds(p geom.PointPx) bool {
	return -0.5 <= p.X && p.X <= float64(f.cols)-0.5 && -0.5 <= p.Y && p.Y <= float64(f.rows)-0.5
}

// polylines returns the parts of a line that lie in the image, each of at
// most most points, of which the first and the last are kept.
func (f frameSize) polylines(line []geom.PointPx, most int) []shape {
	var out []shape
	var part []geom.PointPx
	flush := func() {
		if len(part) > 1 {
			out = append(out, shape{"POLYLINE", thin(part, most)})
		}
		part = nil
	}
	for _, p := range line {
		if f.holds(p) { // false for what is not finite
			part = append(part, p)
		} else {
			flush()
		}
	}
	flush()
	return out
}

// thin returns at most most points of line, spread evenly.
func thin(line []geom.PointPx, most int) []geom.PointPx {
	if len(line) <= most {
		return line
	}
	out := make([]geom.PointPx, most)
	for i := range out {
		out[i] = line[i*(len(line)-1)/(most-1)]
	}
	return out
}

// point returns the point p if it lies in the image.
func (f frameSize) point(p geom.PointPx) []shape {
	if !f.holds(p) {
		return nil
	}
	return []shape{{"POINT", []geom.PointPx{p}}}
}

// arcPoints is how many points stand for a circle that is drawn as a line.
const arcPoints = 360

// circle returns c, or the parts of its rim that lie in the image.
func (f frameSize) circle(c measure.CirclePx) []shape {
	if !(c.R > 0) || math.IsInf(c.R, 0) {
		return nil
	}
	if f.holds(geom.PointPx{X: c.C.X - c.R, Y: c.C.Y - c.R}) && f.holds(geom.PointPx{X: c.C.X + c.R, Y: c.C.Y + c.R}) {
		return []shape{{"CIRCLE", []geom.PointPx{c.C, {X: c.C.X + c.R, Y: c.C.Y}}}}
	}
	return f.polylines(arc(c, 0, 2*math.Pi), arcPoints)
}

// arcAlong returns the part of c beside the line, from its first point to its
// last: of a bow's circle all that anybody wants to see.
func (f frameSize) arcAlong(c measure.CirclePx, line []geom.PointPx) []shape {
	if !(c.R > 0) || math.IsInf(c.R, 0) || len(line) < 2 {
		return nil
	}
	at := func(p geom.PointPx) float64 { return math.Atan2(p.Y-c.C.Y, p.X-c.C.X) }
	from := at(line[0])
	return f.polylines(arc(c, from, math.Remainder(at(line[len(line)-1])-from, 2*math.Pi)), arcPoints)
}

// arc returns points of c's rim from the angle from over the angle sweep.
func arc(c measure.CirclePx, from, sweep float64) []geom.PointPx {
	out := make([]geom.PointPx, arcPoints)
	for i := range out {
		sin, cos := math.Sincos(from + sweep*float64(i)/(arcPoints-1))
		out[i] = geom.PointPx{X: c.C.X + c.R*cos, Y: c.C.Y + c.R*sin}
	}
	return out
}
