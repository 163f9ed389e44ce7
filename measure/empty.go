package measure

import "slices"

// Gives tells whether a film of view v can give q: what is measured on lateral
// films only, or on AP ones only, is nothing that another film refuses.
func Gives(v View, q Quantity) bool {
	for _, level := range Levels {
		if q == CortexAt(Lateral, true, level) || q == CortexAt(Lateral, false, level) {
			return v == Lateral
		}
		if q == CortexAt(AP, true, level) || q == CortexAt(AP, false, level) {
			return v == AP
		}
	}
	return v == AP || !slices.Contains(frontal, q)
}

// frontal are the quantities of AP films alone, beside the lateral and the medial
// cortex.
var frontal = []Quantity{BowAngle50, CanalFlareIndex, NeckShaftAngle, HeadDiameter, FemoralOffset,
	AnatomicLateralDistal, MechanicalLateralDistal, AnatomicMechanicalAngle, TrochanterProfile,
	FocalCount, FocalLevel, FocalHeight, FocalLength, FocalSNR,
	LucentLineDepthFraction, LucentLineAngle, LucentLineFloor}

// NoneThere tells whether q is of a focal thickening or of a line in it on a
// femur that was searched: it was not refused, there is none.
func (r *Record) NoneThere(q Quantity) bool {
	switch q {
	case FocalLevel, FocalHeight, FocalLength: // which one that was found has, but for want of a scale
		n, searched := r.Values[FocalCount]
		return searched && n.X == 0
	case FocalSNR, LucentLineDepthFraction, LucentLineAngle:
		_, searched := r.Values[FocalCount]
		return searched
	}
	return false
}

// WhyEmpty returns those of the row's reasons that can have left q empty.
func (r *Record) WhyEmpty(q Quantity) []Reason {
	var out []Reason
	for _, reason := range r.Reasons {
		if only, ok := leavesEmpty[reason]; !ok || slices.Contains(only, q) {
			out = append(out, reason)
		}
	}
	return out
}

// leavesEmpty are the reasons that leave only some quantities empty; the others
// can leave any.
var leavesEmpty = map[Reason][]Quantity{
	HeadNotFound:         {NeckShaftAngle, HeadDiameter, FemoralOffset, MechanicalLateralDistal, AnatomicMechanicalAngle},
	NeckNotFound:         {NeckShaftAngle},
	CondylesNotFound:     {BowAngle50, AnatomicLateralDistal, MechanicalLateralDistal, AnatomicMechanicalAngle},
	CanalAboveNotVisible: {CanalFlareIndex},
	IsthmusNotVisible:    {IsthmusLevel, IsthmusCanalWidth, IsthmusOuterWidth, IsthmusCorticalIndex, CanalFlareIndex},
	IsthmusNotResolved:   {IsthmusLevel},
	AxisNotVisible:       {NeckShaftAngle, FemoralOffset, TrochanterProfile, AnatomicLateralDistal, AnatomicMechanicalAngle},
	BowLinesNotVisible:   {BowAngle50},
	BowNotResolved:       {BowRadius, BowApex},
	DiaphysisCut:         {BowAngle, BowSagitta, BowApex, AnatomicLateralDistal, AnatomicMechanicalAngle},
	LevelNotVisible:      atLevels(),
	FocalNotAssessable:   {FocalCount, FocalLevel, FocalHeight, FocalLength, FocalSNR, LucentLineDepthFraction, LucentLineAngle, LucentLineFloor},
	// What is measured in spite of them: what they do leave empty has another reason
	// beside them, such as scale_none or facing_unknown.
	ScaleLowerBound:    nil,
	ScaleDetector:      nil,
	ScaleUnexplained:   nil,
	ScaleConflict:      nil,
	MarkerNotFound:     nil,
	SideUnknown:        nil,
	SideConflict:       nil,
	LegTurned:          nil,
	NailTipNotVisible:  nil,
	OtherSideNotOnFile: nil,
}

func atLevels() (out []Quantity) {
	for _, level := range Levels {
		out = append(out, OuterWidthAt(level), CanalWidthAt(level), CorticalIndexAt(level))
		for v := range sides {
			out = append(out, CortexAt(v, true, level), CortexAt(v, false, level))
		}
	}
	return out
}
