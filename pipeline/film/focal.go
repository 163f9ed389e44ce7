package film

import (
	"slices"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// findFocal looks for focal thickenings of the lateral cortex on an AP film, and
// for dark lines through it: every finding into out, the highest into the row, all
// of them into the drawing. Where the cortex does not show enough for them, only a
// line that is plainly seen is noted.
func findFocal(out *measure.Femur, r *measure.Record, f detect.Femur, id identity, sp geom.Spacing, s *measure.Shaft, opt measure.ShaftOptions) {
	if id.view != measure.AP || opt.UnknownSides {
		return
	}
	lateral, medial := cortexEdges(f, id, sp)
	found, assessed := s.FindFocal(lateral, medial, measure.FocalOptions{HasOrigin: opt.HasOrigin, OriginSigma: opt.Errors.OriginSigma,
		Signs: focalSigns(f, id, sp)})
	lines := findLines(f, id, sp, s, opt, len(found) > 0)
	if !opt.HasScale {
		lines.place, lines.floor = nil, nil
		count(out, r, lines.plain(found), s, lateral, sp)
		lines.writeSeen(r)
		return
	}
	if !assessed {
		r.AddReason(measure.FocalNotAssessable)
		lines.writeSeen(r)
		return
	}
	out.Focal = found
	for i := range found {
		found[i].Line = lines.near(found[i], found)
	}
	lines.write(r, found)
	r.Set(measure.FocalCount, float64(len(found)), 0)
	if len(found) == 0 {
		return
	}
	top := found[0]
	for _, t := range found {
		out.Geometry.Focal = append(out.Geometry.Focal, s.DrawFocal(t, lateral, sp))
		if t.Height.X > top.Height.X {
			top = t
		}
	}
	r.Set(measure.FocalLevel, top.Level.X, top.Level.U95)
	r.Set(measure.FocalHeight, top.Height.X, top.Height.U95)
	r.Set(measure.FocalLength, top.Length.X, top.Length.U95)
	r.Set(measure.FocalSNR, top.SNR, 0)
	r.Texts["focal_surface"] = top.Surface
}

// plainHeight in mm, by the femur's own size, is that of a thickening from which it is
// plain without a scale and without a dark line. Of 96 simulated films without a
// thickening one has one so, five one of any height.
const plainHeight = 1.0

// plain are those of found that are plain on a film without a scale.
func (l *lines) plain(found []measure.Focal) (out []measure.Focal) {
	for _, t := range found {
		if t.Height.X >= plainHeight || l.near(t, found).State == lineSeen {
			out = append(out, t)
		}
	}
	return out
}

// count notes the thickenings found on a film without a scale, searched in what its
// femur's size makes of a pixel: how many, where, on which surface. They have no
// lengths, and none found is not none there: what could have been seen is a length.
func count(out *measure.Femur, r *measure.Record, found []measure.Focal, s *measure.Shaft, lateral measure.CortexEdges, sp geom.Spacing) {
	if len(found) == 0 {
		return
	}
	top := found[0]
	for _, t := range found {
		px := s.DrawFocal(t, lateral, sp)
		px.LevelMM, px.HeightMM = 0, 0
		out.Geometry.Focal = append(out.Geometry.Focal, px)
		if t.Height.X > top.Height.X {
			top = t
		}
	}
	r.Set(measure.FocalCount, float64(len(found)), 0)
	r.Set(measure.FocalSNR, top.SNR, 0)
	r.Texts["focal_surface"] = top.Surface
}

// cortexEdges brings the finer traces into millimetres.
func cortexEdges(f detect.Femur, id identity, sp geom.Spacing) (lateral, medial measure.CortexEdges) {
	fine := detect.Femur{OuterClockwise: f.CortexClockwise.Outer, InnerClockwise: f.CortexClockwise.Inner,
		OuterCounter: f.CortexCounter.Outer, InnerCounter: f.CortexCounter.Inner}
	c := contours(fine, id, sp)
	return measure.CortexEdges{Outer: c.OuterPos, Inner: c.InnerPos}, measure.CortexEdges{Outer: c.OuterNeg, Inner: c.InnerNeg}
}

// focalSigns are what the network sees along the lateral cortex.
func focalSigns(f detect.Femur, id identity, sp geom.Spacing) (out []measure.FocalSign) {
	strip := f.Strip(id.clockwise)
	if strip == nil {
		return nil
	}
	for i, l := range strip.Levels {
		out = append(out, measure.FocalSign{At: sp.MM(strip.Px(i, l.Outer.Depth)), Focal: l.Focal, Seen: min(l.Outer.Seen, l.Inner.Seen+innerUnseen), Line: slices.Max(l.Line[:])})
	}
	return out
}

// innerUnseen is by how much less sure the inner edge may be there to see than the
// outer: a thickening that stands out of the bone shows without it.
const innerUnseen = 0.2
