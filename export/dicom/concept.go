package dicom

import (
	"fmt"
	"slices"

	"shaftgauge/measure"
)

// concept is how a column is said in DICOM: what kind of number it is, where it
// was taken, how (a private code: no standard one names a construction), and
// what of the geometry it was taken from.
type concept struct {
	name, site, method Code
	marks              marks
	lateralToo         bool // measured on lateral films as well as on AP ones
}

// concepts are those of every column of numbers that a report holds.
var concepts = allConcepts()

func allConcepts() map[measure.Quantity]concept {
	all := make(map[measure.Quantity]concept)
	both := func(q measure.Quantity, name, site Code, m marks, code, meaning string) {
		all[q] = concept{name, site, own(code, meaning), m, true}
	}
	frontal := func(q measure.Quantity, name, site Code, m marks, code, meaning string) {
		all[q] = concept{name, site, own(code, meaning), m, false}
	}
	both(measure.VisibleFrom, distance, shaftOfFemur, alongMidline, "VISIBLE_FROM", "Level at which the visible diaphysis begins")
	both(measure.VisibleTo, distance, shaftOfFemur, alongMidline, "VISIBLE_TO", "Level at which the visible diaphysis ends")
	both(measure.ShaftAxis, angle, shaftOfFemur, alongMidline, "SHAFT_AXIS", "Mid-diaphyseal line against the image's vertical")
	both(measure.BowCurvature, curvature, shaftOfFemur, alongMidline, "BOW_CURVATURE", "Circle fitted to the mid-diaphyseal line")
	both(measure.BowRadius, radius, shaftOfFemur, alongMidline, "BOW_RADIUS", "Circle fitted to the mid-diaphyseal line")
	both(measure.BowAngle, angle, shaftOfFemur, alongMidline, "BOW_ANGLE", "First against last quarter of the mid-diaphyseal line")
	frontal(measure.BowAngle50, angle, shaftOfFemur, alongMidline, "BOW_ANGLE_50", "Mid-line at 0 and 50 mm against 50 and 100 mm above the condyle")
	both(measure.BowSagitta, distance, shaftOfFemur, alongMidline, "BOW_SAGITTA", "Greatest distance of the mid-diaphyseal line from its chord")
	both(measure.BowApex, distance, shaftOfFemur, alongMidline, "BOW_APEX", "Level of the mid-line's greatest distance from its chord")
	both(measure.BowSpan, length, shaftOfFemur, alongMidline, "BOW_SPAN", "Length of diaphysis that the circle was fitted to")
	for _, level := range measure.Levels {
		m := atLevel(fmt.Sprint(level))
		for _, edge := range []struct {
			view     measure.View
			positive bool
			code     string
			word     string
		}{
			{measure.AP, true, "CORTEX_LAT", "lateral"}, {measure.AP, false, "CORTEX_MED", "medial"},
			{measure.Lateral, true, "CORTEX_ANT", "anterior"}, {measure.Lateral, false, "CORTEX_POST", "posterior"},
		} {
			c := concept{thickness, shaftOfFemur, own(fmt.Sprintf("%s_%d", edge.code, level),
				fmt.Sprintf("Thickness of the %s cortex at %d mm", edge.word, level)), m, edge.view == measure.Lateral}
			all[measure.CortexAt(edge.view, edge.positive, level)] = c
		}
		both(measure.OuterWidthAt(level), width, shaftOfFemur, m, fmt.Sprintf("OUTER_%d", level), fmt.Sprintf("Outer width of the bone at %d mm", level))
		both(measure.CanalWidthAt(level), width, shaftOfFemur, m, fmt.Sprintf("CANAL_%d", level), fmt.Sprintf("Width of the medullary canal at %d mm", level))
		both(measure.CorticalIndexAt(level), ratio, shaftOfFemur, m, fmt.Sprintf("INDEX_%d", level), fmt.Sprintf("Outer less canal width, over outer width, at %d mm", level))
	}
	narrowest := atLevel("isthmus")
	both(measure.IsthmusLevel, distance, shaftOfFemur, narrowest, "ISTHMUS", "Level of the diaphysis' narrowest canal")
	both(measure.IsthmusCanalWidth, width, shaftOfFemur, narrowest, "ISTHMUS_CANAL", "Width of the medullary canal at its narrowest")
	both(measure.IsthmusOuterWidth, width, shaftOfFemur, narrowest, "ISTHMUS_OUTER", "Outer width of the bone at the narrowest canal")
	both(measure.IsthmusCorticalIndex, ratio, shaftOfFemur, narrowest, "ISTHMUS_INDEX", "Outer less canal width, over outer width, at narrowest canal")
	frontal(measure.CanalFlareIndex, ratio, proximalFemur, narrowest, "CANAL_FLARE", "Canal 20 mm above the lesser trochanter over its narrowest width")

	frontal(measure.NeckShaftAngle, angle, proximalFemur, neckAxis, "NECK_SHAFT", "Neck axis against the proximal shaft axis, medially")
	frontal(measure.HeadDiameter, diameter, headOfFemur, headCircle, "HEAD_DIAMETER", "Circle fitted to the femoral head")
	frontal(measure.FemoralOffset, distance, proximalFemur, headCentre, "OFFSET", "Head's centre from the proximal shaft axis")
	frontal(measure.AnatomicLateralDistal, angle, distalFemur, condyles, "ALDFA", "Distal shaft axis against the tangent to both condyles")
	frontal(measure.MechanicalLateralDistal, angle, distalFemur, condyles, "MLDFA", "Line from head to knee against the tangent to both condyles")
	frontal(measure.AnatomicMechanicalAngle, angle, femur, headCentre, "ANAT_MECH", "Axis of the diaphysis against the line from knee to head")
	frontal(measure.TrochanterProfile, ratio, lesserTrochanter, trochanterTip, "TROCHANTER", "Stand-out of the trochanter's tip over the outer width below it")

	frontal(measure.FocalCount, count, shaftOfFemur, noMarks, "FOCAL_COUNT", "Focal thickenings of the lateral cortex looked for and found")
	frontal(measure.FocalLevel, distance, shaftOfFemur, mainFocal, "FOCAL_LEVEL", "Level of the peak of the focal thickening")
	frontal(measure.FocalHeight, height, shaftOfFemur, mainFocal, "FOCAL_HEIGHT", "Peak over the thickness that the cortex would have without it")
	frontal(measure.FocalLength, length, shaftOfFemur, mainFocal, "FOCAL_LENGTH", "Full width of the focal thickening at half its height")
	frontal(measure.FocalSNR, ratio, shaftOfFemur, mainFocal, "FOCAL_SNR", "Height of the peak over the baseline's residual noise")
	frontal(measure.LucentLineDepthFraction, ratio, shaftOfFemur, noMarks, "LINE_DEPTH", "Part of the lateral cortex that a dark line crosses")
	frontal(measure.LucentLineAngle, angle, shaftOfFemur, noMarks, "LINE_ANGLE", "Tilt of a dark line within the cortex from square to the shaft")
	frontal(measure.LucentLineFloor, width, shaftOfFemur, noMarks, "LINE_FLOOR", "Narrowest dark line that this film could have shown")
	return all
}

// fits tells whether a film of view v can give q: a quantity of one view is
// nothing that a film of the other was refused.
func (c concept) fits(q measure.Quantity, v measure.View) bool {
	for _, level := range measure.Levels {
		if q == measure.CortexAt(measure.Lateral, true, level) || q == measure.CortexAt(measure.Lateral, false, level) {
			return v == measure.Lateral
		}
	}
	return v == measure.AP || c.lateralToo
}

// derivations are the quantities that are the least or the greatest of their
// kind along the shaft.
var derivations = map[measure.Quantity]Code{
	measure.IsthmusCanalWidth: minimum,
	measure.BowSagitta:        maximum,
	measure.FocalHeight:       maximum,
}

// nothingThere tells whether q is of a focal thickening or of a line in it on a
// femur that was searched: it was not refused, there is none.
func nothingThere(r *measure.Record, q measure.Quantity) bool {
	switch q {
	case measure.FocalLevel, measure.FocalHeight, measure.FocalLength, measure.FocalSNR,
		measure.LucentLineDepthFraction, measure.LucentLineAngle:
		_, searched := r.Values[measure.FocalCount]
		return searched
	}
	return false
}

// words are the columns of text that a report holds.
var words = map[string]Code{
	"level_origin":  own("LEVEL_ORIGIN", "Where levels count from"),
	"scale_basis":   own("SCALE_BASIS", "What the pixel spacing was taken from"),
	"bow_plane":     own("BOW_PLANE", "Plane in which the bow is seen"),
	"focal_surface": own("FOCAL_SURFACE", "Surface that the thickening stands out from"),
	"lucent_line":   own("LUCENT_LINE", "Dark line through the lateral cortex"),
	"implant":       own("IMPLANT", "Metal seen on the femur"),
}

// word returns the text of the row's column.
func word(r *measure.Record, column string) string {
	switch column {
	case "level_origin":
		return r.LevelOrigin
	case "scale_basis":
		return r.ScaleBasis
	case "bow_plane":
		return r.BowPlane
	}
	return r.Texts[column]
}

// specific are the reasons that leave only some quantities empty; the others
// can leave any.
var specific = map[measure.Reason][]measure.Quantity{
	measure.HeadNotFound: {measure.NeckShaftAngle, measure.HeadDiameter, measure.FemoralOffset,
		measure.MechanicalLateralDistal, measure.AnatomicMechanicalAngle},
	measure.NeckNotFound: {measure.NeckShaftAngle},
	measure.CondylesNotFound: {measure.BowAngle50, measure.AnatomicLateralDistal, measure.MechanicalLateralDistal,
		measure.AnatomicMechanicalAngle},
	measure.CanalAboveNotVisible: {measure.CanalFlareIndex},
	measure.IsthmusNotVisible: {measure.IsthmusLevel, measure.IsthmusCanalWidth, measure.IsthmusOuterWidth,
		measure.IsthmusCorticalIndex, measure.CanalFlareIndex},
	measure.AxisNotVisible: {measure.NeckShaftAngle, measure.FemoralOffset, measure.AnatomicLateralDistal,
		measure.AnatomicMechanicalAngle},
	measure.BowLinesNotVisible: {measure.BowAngle50},
	measure.BowNotResolved:     {measure.BowRadius},
	measure.DiaphysisCut: {measure.BowAngle, measure.BowSagitta, measure.BowApex, measure.AnatomicLateralDistal,
		measure.AnatomicMechanicalAngle},
	measure.LevelNotVisible: atLevels(),
	measure.FocalNotAssessable: {measure.FocalCount, measure.FocalLevel, measure.FocalHeight, measure.FocalLength,
		measure.FocalSNR, measure.LucentLineDepthFraction, measure.LucentLineAngle, measure.LucentLineFloor},
	// What is measured in spite of them.
	measure.ScaleLowerBound:    nil,
	measure.ScaleDetector:      nil,
	measure.ScaleUnexplained:   nil,
	measure.SideUnknown:        nil,
	measure.LegTurned:          nil,
	measure.NailTipNotVisible:  nil,
	measure.OtherSideNotOnFile: nil,
}

func atLevels() []measure.Quantity {
	var out []measure.Quantity
	for _, level := range measure.Levels {
		out = append(out, measure.OuterWidthAt(level), measure.CanalWidthAt(level), measure.CorticalIndexAt(level))
		for _, v := range []measure.View{measure.AP, measure.Lateral} {
			out = append(out, measure.CortexAt(v, true, level), measure.CortexAt(v, false, level))
		}
	}
	return out
}

// whyNot returns those of the row's reasons that can have left q empty.
func whyNot(r *measure.Record, q measure.Quantity) []measure.Reason {
	var out []measure.Reason
	for _, reason := range r.Reasons {
		if only, ok := specific[reason]; !ok || slices.Contains(only, q) {
			out = append(out, reason)
		}
	}
	return out
}
