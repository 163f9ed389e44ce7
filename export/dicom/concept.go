package dicom

import (
	"fmt"

	"shaftgauge/measure"
)

// concept is how a column is said in DICOM: what kind of number it is, where it
// was taken, how (a private code: no standard one names a construction), and
// what of the geometry it was taken from.
type concept struct {
	name, site, method Code
	marks              marks
}

// concepts are those of every column of numbers that a report holds.
var concepts = allConcepts()

func allConcepts() map[measure.Quantity]concept {
	all := make(map[measure.Quantity]concept)
	add := func(q measure.Quantity, name, site Code, m marks, code, meaning string) {
		all[q] = concept{name, site, own(code, meaning), m}
	}
	add(measure.VisibleFrom, distance, shaftOfFemur, alongMidline, "VISIBLE_FROM", "Level at which the visible diaphysis begins")
	add(measure.VisibleTo, distance, shaftOfFemur, alongMidline, "VISIBLE_TO", "Level at which the visible diaphysis ends")
	add(measure.ShaftAxis, angle, shaftOfFemur, alongMidline, "SHAFT_AXIS", "Mid-diaphyseal line against the image's vertical")
	add(measure.BowCurvature, curvature, shaftOfFemur, alongMidline, "BOW_CURVATURE", "Circle fitted to the mid-diaphyseal line")
	add(measure.BowRadius, radius, shaftOfFemur, alongMidline, "BOW_RADIUS", "Circle fitted to the mid-diaphyseal line")
	add(measure.BowAngle, angle, shaftOfFemur, alongMidline, "BOW_ANGLE", "First against last quarter of the mid-diaphyseal line")
	add(measure.BowAngle50, angle, shaftOfFemur, alongMidline, "BOW_ANGLE_50", "Mid-line at 0 and 50 mm against 50 and 100 mm above the condyle")
	add(measure.BowSagitta, distance, shaftOfFemur, alongMidline, "BOW_SAGITTA", "Greatest distance of the mid-diaphyseal line from its chord")
	add(measure.BowApex, distance, shaftOfFemur, alongMidline, "BOW_APEX", "Level of the mid-line's greatest distance from its chord")
	add(measure.BowSpan, length, shaftOfFemur, alongMidline, "BOW_SPAN", "Length of diaphysis that the circle was fitted to")
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
			add(measure.CortexAt(edge.view, edge.positive, level), thickness, shaftOfFemur, m,
				fmt.Sprintf("%s_%d", edge.code, level), fmt.Sprintf("Thickness of the %s cortex at %d mm", edge.word, level))
		}
		add(measure.OuterWidthAt(level), width, shaftOfFemur, m, fmt.Sprintf("OUTER_%d", level), fmt.Sprintf("Outer width of the bone at %d mm", level))
		add(measure.CanalWidthAt(level), width, shaftOfFemur, m, fmt.Sprintf("CANAL_%d", level), fmt.Sprintf("Width of the medullary canal at %d mm", level))
		add(measure.CorticalIndexAt(level), ratio, shaftOfFemur, m, fmt.Sprintf("INDEX_%d", level), fmt.Sprintf("Outer less canal width, over outer width, at %d mm", level))
	}
	narrowest := atLevel("isthmus")
	add(measure.IsthmusLevel, distance, shaftOfFemur, narrowest, "ISTHMUS", "Level of the diaphysis' narrowest canal")
	add(measure.IsthmusCanalWidth, width, shaftOfFemur, narrowest, "ISTHMUS_CANAL", "Width of the medullary canal at its narrowest")
	add(measure.IsthmusOuterWidth, width, shaftOfFemur, narrowest, "ISTHMUS_OUTER", "Outer width of the bone at the narrowest canal")
	add(measure.IsthmusCorticalIndex, ratio, shaftOfFemur, narrowest, "ISTHMUS_INDEX", "Outer less canal width, over outer width, at narrowest canal")
	add(measure.CanalFlareIndex, ratio, proximalFemur, narrowest, "CANAL_FLARE", "Canal 20 mm above the lesser trochanter over its narrowest width")

	add(measure.NeckShaftAngle, angle, proximalFemur, neckAxis, "NECK_SHAFT", "Neck axis against the proximal shaft axis, medially")
	add(measure.HeadDiameter, diameter, headOfFemur, headCircle, "HEAD_DIAMETER", "Circle fitted to the femoral head")
	add(measure.FemoralOffset, distance, proximalFemur, headCentre, "OFFSET", "Head's centre from the proximal shaft axis")
	add(measure.AnatomicLateralDistal, angle, distalFemur, condyles, "ALDFA", "Distal shaft axis against the tangent to both condyles")
	add(measure.MechanicalLateralDistal, angle, distalFemur, condyles, "MLDFA", "Line from head to knee against the tangent to both condyles")
	add(measure.AnatomicMechanicalAngle, angle, femur, headCentre, "ANAT_MECH", "Axis of the diaphysis against the line from knee to head")
	add(measure.TrochanterProfile, ratio, lesserTrochanter, trochanterTip, "TROCHANTER", "Stand-out of the trochanter's tip over the outer width below it")

	add(measure.FocalCount, count, shaftOfFemur, noMarks, "FOCAL_COUNT", "Focal thickenings of the lateral cortex looked for and found")
	add(measure.FocalLevel, distance, shaftOfFemur, mainFocal, "FOCAL_LEVEL", "Level of the peak of the focal thickening")
	add(measure.FocalHeight, height, shaftOfFemur, mainFocal, "FOCAL_HEIGHT", "Peak over the thickness that the cortex would have without it")
	add(measure.FocalLength, length, shaftOfFemur, mainFocal, "FOCAL_LENGTH", "Full width of the focal thickening at half its height")
	add(measure.FocalSNR, ratio, shaftOfFemur, mainFocal, "FOCAL_SNR", "Height of the peak over the baseline's residual noise")
	add(measure.LucentLineDepthFraction, ratio, shaftOfFemur, noMarks, "LINE_DEPTH", "Part of the lateral cortex that a dark line crosses")
	add(measure.LucentLineAngle, angle, shaftOfFemur, noMarks, "LINE_ANGLE", "Tilt of a dark line within the cortex from square to the shaft")
	add(measure.LucentLineFloor, width, shaftOfFemur, noMarks, "LINE_FLOOR", "Narrowest dark line that this film could have shown")
	return all
}

// derivations are the quantities that are the least or the greatest of their
// kind along the shaft.
var derivations = map[measure.Quantity]Code{
	measure.IsthmusCanalWidth: minimum,
	measure.BowSagitta:        maximum,
	measure.FocalHeight:       maximum,
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
