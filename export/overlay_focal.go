package export

import (
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// focalMark is a focal thickening as geometry files hold it: level and height in
// mm, absent on a film without a scale, and the outer edge's points at both ends of
// its full width at half height and at its peak, in pixels.
type focalMark struct {
	Level  twoDecs `json:"level_mm,omitempty"`
	Height twoDecs `json:"height_mm,omitempty"`
	From   point   `json:"from"`
	To     point   `json:"to"`
	Peak   point   `json:"peak"`
}

// focalMarks returns the finite ones of f, nil if there is none.
func focalMarks(f []measure.FocalPx) []focalMark {
	var out []focalMark
	for _, t := range f {
		if finitePoint(t.From) && finitePoint(t.To) && finitePoint(t.Peak) && finite(t.LevelMM) && finite(t.HeightMM) {
			out = append(out, focalMark{twoDecs(t.LevelMM), twoDecs(t.HeightMM), point(t.From), point(t.To), point(t.Peak)})
		}
	}
	return out
}

// Sizes of a focal thickening's bracket in pixels.
const (
	bracketAway = 9 // outside the outer edge
	bracketArm  = 5
)

// focal draws a bracket beside each focal thickening, along its full width at
// half height, with a tick at its peak and, where there is a scale, its height in
// words.
func (f *filmLayer) focal(g *measure.Geometry) {
	for _, t := range focalMarks(g.Focal) {
		from, to, peak := f.at(geom.PointPx(t.From)), f.at(geom.PointPx(t.To)), f.at(geom.PointPx(t.Peak))
		if !f.near(peak) {
			continue
		}
		out := f.away(g, peak)
		n := out.norm()
		if n == 0 {
			continue
		}
		out = out.mul(1 / n)
		away := out.mul(bracketAway)
		f.bracket(from.add(away), to.add(away), peak.add(away), out)
		if t.Height == 0 {
			continue
		}
		f.label(peak.add(away), out, 10, []run{
			{"+" + decimal(float64(t.Height), 1) + " mm", style{bold: true, size: 14}, ink},
			{"at " + decimal(float64(t.Level), 0) + " mm", style{size: 14}, faint}})
	}
}

// bracket draws a bracket from one end to the other whose arms point against out,
// with a tick at peak.
func (c *canvas) bracket(from, to, peak, out pt) {
	arm := out.mul(bracketArm)
	c.haloed([]pt{from.sub(arm), from, to, to.sub(arm)}, 2, vermillion)
	c.haloed([]pt{peak.sub(arm), peak.add(arm)}, 2, vermillion)
}
