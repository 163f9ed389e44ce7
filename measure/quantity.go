package measure

import "fmt"

// Quantities that the shaft gives. Names, units and constructions are those of
// [Columns].
const (
	VisibleFrom          Quantity = "visible_from_mm"
	VisibleTo            Quantity = "visible_to_mm"
	ShaftAxis            Quantity = "shaft_axis_deg"
	BowCurvature         Quantity = "bow_curvature_per_m"
	BowRadius            Quantity = "bow_radius_mm"
	BowAngle             Quantity = "bow_angle_deg"
	BowAngle50           Quantity = "bow_angle_50mm_deg"
	BowSagitta           Quantity = "bow_sagitta_mm"
	BowApex              Quantity = "bow_apex_mm"
	BowSpan              Quantity = "bow_span_mm"
	IsthmusLevel         Quantity = "isthmus_level_mm"
	IsthmusCanalWidth    Quantity = "isthmus_canal_width_mm"
	IsthmusOuterWidth    Quantity = "isthmus_outer_width_mm"
	IsthmusCorticalIndex Quantity = "isthmus_cortical_index"
	CanalFlareIndex      Quantity = "canal_flare_index"
)

// Quantities of the hip, the knee and of focal thickenings.
const (
	NeckShaftAngle          Quantity = "neck_shaft_angle_deg"
	HeadDiameter            Quantity = "head_diameter_mm"
	FemoralOffset           Quantity = "femoral_offset_mm"
	AnatomicLateralDistal   Quantity = "aldfa_deg"
	MechanicalLateralDistal Quantity = "mldfa_deg"
	AnatomicMechanicalAngle Quantity = "anatomic_mechanical_angle_deg"
	TrochanterProfile       Quantity = "trochanter_profile_ratio"
	FocalCount              Quantity = "focal_count"
	FocalLevel              Quantity = "focal_level_mm"
	FocalHeight             Quantity = "focal_height_mm"
	FocalLength             Quantity = "focal_length_mm"
	FocalSNR                Quantity = "focal_snr"
	LucentLineDepthFraction Quantity = "lucent_line_depth_fraction"
	LucentLineAngle         Quantity = "lucent_line_angle_deg"
	LucentLineFloor         Quantity = "lucent_line_floor_mm"
	ReviewRank              Quantity = "review_rank"
)

// Levels are the levels in mm below the origin at which cortex and widths are
// written to the row.
var Levels = [...]int{30, 50, 100, 150}

// sides are the names of the positive and the negative side of each view.
var sides = map[View][2]string{AP: {"lateral", "medial"}, Lateral: {"anterior", "posterior"}}

// SideNames are the names of the positive and of the negative side of a view; false for
// an unknown one.
func SideNames(v View) (names [2]string, ok bool) {
	names, ok = sides[v]
	return names, ok
}

// CortexAt names the cortical thickness at a level, of the positive (lateral,
// anterior) or negative side of a view. It is empty for an unknown view.
func CortexAt(v View, positive bool, level int) Quantity {
	names, ok := sides[v]
	if !ok {
		return ""
	}
	name := names[1]
	if positive {
		name = names[0]
	}
	return Quantity(fmt.Sprintf("%s_cortex_%d_mm", name, level))
}

// OuterWidthAt names the outer width at a level.
func OuterWidthAt(level int) Quantity { return Quantity(fmt.Sprintf("outer_width_%d_mm", level)) }

// CanalWidthAt names the width of the medullary canal at a level.
func CanalWidthAt(level int) Quantity { return Quantity(fmt.Sprintf("canal_width_%d_mm", level)) }

// CorticalIndexAt names the cortical index at a level.
func CorticalIndexAt(level int) Quantity { return Quantity(fmt.Sprintf("cortical_index_%d", level)) }
