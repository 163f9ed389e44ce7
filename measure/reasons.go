package measure

// ReasonText is a reason code with the sentence that explains it to a reader of
// the CSV.
type ReasonText struct {
	Code     Reason
	Sentence string
}

// Reasons explains every reason code, in the order of the data dictionary.
var Reasons = []ReasonText{
	{UnreadableFile, "The file could not be read as a film: it is damaged, cut short, of another kind or closed to the program; run.json says which where that is known."},
	{UnsupportedImage, "The file is well formed but holds a kind of image that is not measured."},
	{ImageTooLarge, "The image has more pixels or frames than the settings allow, and was refused before decoding."},
	{WorkerCrashed, "The process working on this film ended abnormally; the run went on without it."},
	{TimeLimit, "Work on this film was stopped at the time limit."},
	{MemoryLimit, "Work on this film was stopped at the memory limit."},

	{NoFemurFound, "No shaft of a femur was found on the image."},
	{BlankImage, "The image has no contrast to measure."},
	{ShaftTooShort, "The visible stretch of shaft is too short for the quantities left empty."},
	{EdgesUnclear, "The edges of the cortex do not stand out well enough to be placed."},
	{EstimatesDisagree, "A second, independent estimate of the shaft's edges gives something else than the first, beyond the uncertainty of both; widths at single levels that differ widely are empty."},
	{ShaftDiscontinuous, "The shaft falls into parts that do not meet, so it has no mid-line: nothing is measured on it."},
	{ImplantPresent, "Metal lies in, on or beside the femur; the column implant says of which kind."},
	{MetalOverCortex, "Metal, a letter or another mark on the film hides a part of the shaft's edges: quantities that need them are empty."},

	{ScaleLowerBound, "The magnification comes from the tube, detector and table distances and is a lower bound for the femur's, so lengths are upper bounds."},
	{ScaleDetector, "No magnification is known: lengths are those in the detector's plane, larger than those of the bone."},
	{ScaleNone, "No scale is known: lengths are empty; angles and ratios are measured."},
	{ScaleConflict, "Two statements of scale on this film contradict each other."},
	{ScaleUnexplained, "The header holds a pixel spacing without saying what it was calibrated against."},
	{ScaleInvalid, "A spacing or distance in the header is not a possible number and was not used."},
	{SideUnknown, "Neither header nor picture says whether this is a right or a left femur."},
	{SideConflict, "Statements of the side contradict each other or the picture; none was chosen."},
	{ViewUnknown, "Neither header nor picture says whether this is an AP or a lateral view."},
	{ViewConflict, "Statements of the view contradict each other or the picture; none was chosen."},
	{ViewOblique, "The header states an oblique view, which has no defined planes of measurement."},
	{PolarityConflict, "Statements of whether bone is bright or dark contradict each other or the picture."},

	{DirectionUnknown, "Neither header nor picture says which end of the shaft is the proximal one."},
	{FemurUncertain, "A shaft was found that may be another bone: the picture shows neither its ends nor its sides, or a larger one on the film has its side already. Nothing was measured."},
	{FacingUnknown, "Neither header nor picture says which cortex is the lateral or the anterior one: columns named by side are empty."},
	{MarkerNotFound, "The scale marker whose diameter was stated was not found on the image."},

	{LevelOriginShaftTop, "The lesser trochanter was not found: levels count from the top of the visible shaft and the columns at fixed levels are empty."},
	{BowNotResolved, "The bow's curvature does not exceed its uncertainty, so it has no radius."},
	{DiaphysisCut, "The film does not show the whole diaphysis: quantities that need both its ends are empty."},
	{IsthmusNotVisible, "The canal's narrowest place does not lie clearly within the visible diaphysis."},
	{IsthmusNotResolved, "The canal stays as narrow as at its narrowest place, within its uncertainty, over so much of the diaphysis that this place has no level; its widths are given."},
	{LevelNotVisible, "At one or more of the fixed levels an edge was not seen."},

	{HeadNotFound, "The femoral head was not found on the film, or not enough of its rim."},
	{NeckNotFound, "The narrowest place of the neck was not found on the film, or not surely enough for an angle."},
	{CondylesNotFound, "The tangent to both condyles was not found on the film."},
	{CanalAboveNotVisible, "The canal was not seen, or not clearly enough for a ratio, 20 mm above the lesser trochanter or at the isthmus."},
	{AxisNotVisible, "Less than two thirds was seen of a stretch of shaft that a quantity of hip or knee needs."},
	{BowLinesNotVisible, "The mid-line was not seen where bow_angle_50mm_deg needs it, from the lesser trochanter down or up to 50 mm above the lateral condyle."},
	{NailTipNotVisible, "The canal was not seen from where a nail of the list would enter it to where its tip would lie."},
	{LegTurned, legTurned()},

	{FocalNotAssessable, "Focal thickenings of the lateral cortex could not be looked for: less than 60 mm of it shows both its edges clear of metal, or they are so irregular, or the film so noisy, that one of 1.2 mm could hide."},

	{OtherSideNotOnFile, "A thickening or a dark line was found on the lateral cortex, and the run has no film of the other femur: none of the patient, or, without a patient key, none in the study. The other side often shows one too."},

	{TooFewPoints, "Too few points were found for a fit."},
	{Degenerate, "The points found do not determine the fit asked for."},
	{NotConverged, "A fit did not settle."},
}
