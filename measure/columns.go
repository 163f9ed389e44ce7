package measure

import "fmt"

// Datatype is the type of a column's cells, named as in W3C Metadata
// Vocabulary for Tabular Data (2015), 5.11.
type Datatype string

// The datatypes in use.
const (
	String  Datatype = "string"
	Integer Datatype = "integer"
	Decimal Datatype = "decimal"
)

// Column describes one column of measurements.csv.
type Column struct {
	Name       string
	Unit       string // UCUM: mm, deg, m-1; 1 for a ratio or count; empty for words
	Datatype   Datatype
	Digits     int // after the decimal point
	Definition string
	Uncertain  bool // a column Name_u95 with the expanded uncertainty follows
}

// Columns lists every column in the order of the file.
var Columns = columns()

// ColumnOf returns the column of measurements.csv of that name; without a name where
// there is none.
func ColumnOf(q Quantity) Column {
	for _, c := range Columns {
		if c.Name == string(q) {
			return c
		}
	}
	return Column{}
}

// Columns that other tables alone have: focal.csv, with its own words of the
// thickening in the row, and nails.csv.
var (
	FocalOuterShare    = Column{"focal_outer_share", "1", Decimal, 2, "Part of the height that stands out of the outer surface: 1 all of it, 0 all into the canal.", true}
	LucentLineContrast = Column{"lucent_line_contrast", "1", Decimal, 1, "Contrast of the line over the noise of the cortex.", false}
	NailTipGap         = Column{"nail_tip_gap_mm", "mm", Decimal, 2, "Gap from the nail to the anterior inner cortex at its tip; negative is through it. Geometry on one film: planning is the surgeon's.", true}
)

func columns() []Column {
	word := func(name, definition string) Column { return Column{name, "", String, 0, definition, false} }
	count := func(name, definition string) Column { return Column{name, "1", Integer, 0, definition, false} }
	length := func(q Quantity, definition string) Column {
		return Column{string(q), "mm", Decimal, 2, definition, true}
	}
	angle := func(q Quantity, definition string) Column {
		return Column{string(q), "deg", Decimal, 2, definition, true}
	}
	ratio := func(q Quantity, definition string) Column {
		return Column{string(q), "1", Decimal, 3, definition, true}
	}
	plain := func(c Column) Column { c.Uncertain = false; return c }
	perLevel := func(name func(int) Quantity, kind func(Quantity, string) Column, definition string) []Column {
		var out []Column
		for _, level := range Levels {
			out = append(out, kind(name(level), fmt.Sprintf(definition, level)))
		}
		return out
	}
	cortex := func(v View, positive bool) []Column {
		side := sides[v][1]
		if positive {
			side = sides[v][0]
		}
		return perLevel(func(level int) Quantity { return CortexAt(v, positive, level) }, length,
			"Thickness of the "+side+" cortex, square to the mid-diaphyseal line, %d mm below the lesser trochanter.")
	}

	var all []Column
	add := func(c ...Column) { all = append(all, c...) }

	add(
		word("source", "Path of the film relative to the input root, or its address in an archive."),
		count("frame", "Frame within the file, from 1."),
		word("instance_uid", "SOP Instance UID of the header; hashed when pseudonymising."),
		word("series_uid", "Series Instance UID of the header; hashed when pseudonymising."),
		word("study_uid", "Study Instance UID of the header; hashed when pseudonymising."),
		word("patient_key", "Keyed hash (HMAC-SHA-256) of issuer and patient ID; never the ID itself."),
		word("study_date", "Study date as stored, YYYYMMDD; empty when pseudonymising."),
		count("study_day", "Days from the patient's first film; only when pseudonymising."),
		word("side", "Patient's side of the femur: R or L."),
		word("side_basis", "What the side was read from: tag, anatomy or orientation."),
		word("view", "Projection: AP or LAT."),
		word("view_basis", "What the view was read from: tag or anatomy."),
		word("status", "measured: every column of the shaft that this view and extent can fill is filled, and two estimates of its edges agree; partial: not so; not_measured: no column has a number. Hip, knee and what is found on the lateral cortex do not count."),
		word("reasons", "Codes, joined by semicolons, that say why columns are empty or what to heed."),
		plain(Column{"pixel_mm", "mm", Decimal, 5, "Pixel spacing used for lengths, after magnification.", false}),
		word("scale_basis", "What the pixel spacing was taken from: calibrated, magnification_factor, distances, marker, detector or none."),
		Column{"magnification", "1", Decimal, 4, "Radiographic magnification by which the detector's spacing was divided.", false},
		word("level_origin", "Where levels count from: lesser_trochanter (its tip, projected square onto the mid-diaphyseal line) or shaft_top (the most proximal visible level)."),
		length(VisibleFrom, "Level at which the visible diaphysis begins; the diaphysis begins 20 mm below the lesser trochanter."),
		length(VisibleTo, "Level at which the visible diaphysis ends; the diaphysis ends at the supracondylar flare, where the outer width first exceeds 1.15 times its smallest and grows by more than 0.16 mm per mm."),
		angle(ShaftAxis, "Least-squares line through the mid-points of the outer cortices of the visible diaphysis, against the image's vertical; positive clockwise."),
		word("bow_plane", "Plane in which the bow is seen: coronal on AP, sagittal on LAT."),
		Column{string(BowCurvature), "m-1", Decimal, 3, "Curvature of the circle fitted to the mid-points of the outer cortices over the visible diaphysis; positive with the apex lateral (AP) or anterior (LAT).", true},
		Column{string(BowRadius), "mm", Decimal, 1, "Radius of that circle, where its curvature exceeds the curvature's uncertainty.", true},
		angle(BowAngle, "Angle between the lines through the mid-points at both ends of the diaphysis' first and of its last quarter; positive with the apex lateral or anterior. A threshold published for another construction does not hold for it."),
		angle(BowAngle50, "Angle between the line through the mid-points at the lesser trochanter and 50 mm below it and the line through those 50 and 100 mm above the distal end of the lateral condyle, counted along it; AP only; positive with the apex lateral. A threshold published for bow_angle_deg does not hold for it."),
		length(BowSagitta, "Greatest distance of the mid-diaphyseal line from the chord that joins its ends."),
		length(BowApex, "Level of that greatest distance."),
		length(BowSpan, "Length of diaphysis that the circle was fitted to."),
	)
	add(cortex(AP, true)...)
	add(cortex(AP, false)...)
	add(cortex(Lateral, true)...)
	add(cortex(Lateral, false)...)
	add(perLevel(OuterWidthAt, length, "Outer width of the bone, square to the mid-diaphyseal line, %d mm below the lesser trochanter.")...)
	add(perLevel(CanalWidthAt, length, "Width of the medullary canal, square to the mid-diaphyseal line, %d mm below the lesser trochanter.")...)
	add(perLevel(CorticalIndexAt, ratio, "Outer width less canal width, over outer width, %d mm below the lesser trochanter.")...)
	add(
		length(IsthmusLevel, "Level of the diaphysis' narrowest canal."),
		length(IsthmusCanalWidth, "Width of the medullary canal there."),
		length(IsthmusOuterWidth, "Outer width of the bone there."),
		ratio(IsthmusCorticalIndex, "Outer width less canal width, over outer width, there."),
		ratio(CanalFlareIndex, "Canal width 20 mm above the lesser trochanter over the canal width at the isthmus."),
		angle(NeckShaftAngle, "Proximal shaft axis, from 20 to 80 mm below the lesser trochanter, against the line from the head's centre to the middle of the narrowest neck; the obtuse angle on the medial side."),
		length(HeadDiameter, "Diameter of the circle fitted to the femoral head."),
		length(FemoralOffset, "Distance of the head's centre from the proximal shaft axis, square to it."),
		angle(AnatomicLateralDistal, "Anatomic lateral distal femoral angle: axis of the diaphysis' distal quarter against the tangent to both condyles, on the lateral side."),
		angle(MechanicalLateralDistal, "Mechanical lateral distal femoral angle: line from the head's centre to the knee's centre against the tangent to both condyles, on the lateral side."),
		angle(AnatomicMechanicalAngle, "Angle between the axis of the whole diaphysis and the line from the knee's centre to the head's centre; positive where that line leans medially."),
		ratio(TrochanterProfile, "How far the tip of the lesser trochanter stands out of the line through the medial outline 10 to 40 mm below it, over the mean outer width there: more with the leg turned outwards, less with it turned inwards."),
		count(string(FocalCount), "Focal thickenings of the lateral cortex found on the diaphysis: stretches 7 to 40 mm long where it is thicker than its own course before and behind. 0 is looked for and none found; where the inner surface is irregular, one that stands out of it alone may not have been. On a film without a scale only plain ones are counted, without their lengths, and the cell is empty where there are none."),
		length(FocalLevel, "Level of the peak of the most prominent focal thickening."),
		length(FocalHeight, "Height of that peak over the thickness the cortex would have there without it."),
		length(FocalLength, "Full width of that thickening at half its height."),
		word("focal_surface", "Surface that the thickening stands out from: periosteal, endosteal or both."),
		Column{string(FocalSNR), "1", Decimal, 1, "Height of that peak over the residual noise of the cortex's baseline.", false},
		word("lucent_line", "Dark line from the outer surface through the lateral cortex of the diaphysis, at or near a focal thickening or anywhere: seen, not_seen or not_assessable. Published gaps are about 0.2 mm wide: not_seen is never not there."),
		Column{string(LucentLineDepthFraction), "1", Decimal, 2, "Part of the lateral cortex's thickness that the line crosses, from the outer surface.", true},
		angle(LucentLineAngle, "Tilt of the line, only the part inside the lateral cortex, against square to the mid-diaphyseal line: 0 is transverse, positive where it runs distally inward. Another convention in print calls transverse 90."),
		plain(length(LucentLineFloor, "Narrowest line, bare of bone and square to the shaft through half of the lateral cortex, that this film's sharpness and noise could have shown over nine tenths of the places looked at. Above 0.5 the line is not_assessable.")),
		word("implant", "Metal seen on the femur: none, intramedullary, plate, stem or other."),
		count(string(ReviewRank), reviewRankDefinition()),
		word(ReviewReasons, "Plain reasons for that order, joined by a semicolon and a blank; levels count from the lesser trochanter unless they say otherwise."),
	)
	return all
}
