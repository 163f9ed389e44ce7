package dicom

import "shaftgauge/measure"

// What focal.csv and nails.csv have and no column of a row.
var (
	outerShare = concept{name: ratio, site: shaftOfFemur, method: own("FOCAL_OUTER", "Part of the height that stands out of the outer surface")}
	lineNoise  = concept{name: ratio, site: shaftOfFemur, method: own("LINE_CONTRAST", "Contrast of a dark line over the noise of the cortex")}
	nailTipGap = concept{name: distance, site: shaftOfFemur, method: own("NAIL_TIP_GAP", "Nail to anterior inner cortex at its tip, negative through it")}
)

// focal is what the group of the k-th focal thickening of fe holds.
func (in inFilm) focal(fe *measure.Femur, k int) []item {
	t := &fe.Focal[k]
	var m marks = noMarks
	if drawn := in.geometry.Focal; len(drawn) == len(fe.Focal) {
		m = func(_ *measure.Geometry, size frameSize) []mark { return focalMark(drawn[k], size) }
	}
	items := []item{code(contains, findingCode, focalBump)}
	add := func(col measure.Column, c concept, v measure.Value) {
		c.marks = m
		items = append(items, in.value(col, c, v))
	}
	columnOf := func(q measure.Quantity, v measure.Value) { add(measure.ColumnOf(q), concepts[q], v) }
	columnOf(measure.FocalLevel, t.Level)
	columnOf(measure.FocalHeight, t.Height)
	columnOf(measure.FocalLength, t.Length)
	add(measure.FocalOuterShare, outerShare, t.OuterShare)
	columnOf(measure.FocalSNR, measure.Value{X: t.SNR})
	if t.Line.State == "seen" {
		columnOf(measure.LucentLineDepthFraction, t.Line.Depth)
		columnOf(measure.LucentLineAngle, t.Line.Angle)
		add(measure.LucentLineContrast, lineNoise, measure.Value{X: t.Line.Contrast})
	}
	if t.Line.FloorMM > 0 {
		columnOf(measure.LucentLineFloor, measure.Value{X: t.Line.FloorMM})
	}
	for _, w := range [][2]string{{"focal_surface", t.Surface}, {"lucent_line", t.Line.State}} {
		if w[1] != "" {
			items = append(items, text(contains, words[w[0]], w[1]))
		}
	}
	return items
}

// nail is what the group of a nail holds.
func (in inFilm) nail(n measure.NailFit) []item {
	gap := nailTipGap
	gap.marks = alongMidline
	return []item{code(contains, findingCode, nailInside), in.value(measure.NailTipGap, gap, n.TipGap)}
}
