package measure

import "fmt"

// Reason is a stable code written to the CSV. Never rename or reuse a value.
type Reason string

// Error says which operation failed and why in one fixed code.
type Error struct {
	Op     string // "FitCircle"
	Reason Reason
	Detail string // for people: "n=2, need 3"
	Err    error  // cause, may be nil
}

func (e *Error) Error() string { return fmt.Sprintf("measure: %s: %s: %s", e.Op, e.Reason, e.Detail) }
func (e *Error) Unwrap() error { return e.Err }

// Reason codes of a row. Each has its sentence in [Reasons].
const (
	// The film could not be read.
	UnreadableFile   Reason = "unreadable_file"
	UnsupportedImage Reason = "unsupported_image"
	ImageTooLarge    Reason = "image_too_large"
	WorkerCrashed    Reason = "worker_crashed"
	TimeLimit        Reason = "time_limit"
	MemoryLimit      Reason = "memory_limit"

	// Nothing to measure.
	NoFemurFound       Reason = "no_femur_found"
	BlankImage         Reason = "blank_image"
	ShaftTooShort      Reason = "shaft_too_short"
	ShaftDiscontinuous Reason = "shaft_discontinuous"
	ImplantPresent     Reason = "implant_present"
	MetalOverCortex    Reason = "metal_over_cortex"
	EdgesUnclear       Reason = "edges_unclear"
	EstimatesDisagree  Reason = "estimates_disagree"

	// Scale, side and view.
	ScaleLowerBound  Reason = "scale_lower_bound"
	ScaleDetector    Reason = "scale_detector_plane"
	ScaleNone        Reason = "scale_none"
	ScaleConflict    Reason = "scale_conflict"
	ScaleUnexplained Reason = "scale_unexplained"
	ScaleInvalid     Reason = "scale_invalid"
	SideUnknown      Reason = "side_unknown"
	SideConflict     Reason = "side_conflict"
	ViewUnknown      Reason = "view_unknown"
	ViewConflict     Reason = "view_conflict"
	ViewOblique      Reason = "view_oblique"
	PolarityConflict Reason = "polarity_conflict"
	DirectionUnknown Reason = "direction_unknown"
	FemurUncertain   Reason = "femur_uncertain"
	FacingUnknown    Reason = "facing_unknown"
	MarkerNotFound   Reason = "marker_not_found"

	// Single quantities.
	LevelOriginShaftTop Reason = "level_origin_shaft_top"
	BowNotResolved      Reason = "bow_not_resolved"
	DiaphysisCut        Reason = "diaphysis_cut"
	IsthmusNotVisible   Reason = "isthmus_not_visible"
	IsthmusNotResolved  Reason = "isthmus_not_resolved"
	LevelNotVisible     Reason = "level_not_visible"

	// Landmarks of hip and knee.
	HeadNotFound         Reason = "head_not_found"
	NeckNotFound         Reason = "neck_not_found"
	CondylesNotFound     Reason = "condyles_not_found"
	CanalAboveNotVisible Reason = "canal_above_not_visible"
	AxisNotVisible       Reason = "axis_not_visible"
	BowLinesNotVisible   Reason = "bow_lines_not_visible"
	NailTipNotVisible    Reason = "nail_tip_not_visible"
	LegTurned            Reason = "leg_turned"

	// The lateral cortex.
	FocalNotAssessable Reason = "focal_not_assessable"

	// The person's other films.
	OtherSideNotOnFile Reason = "other_side_not_on_file"

	// Geometry that has no answer.
	TooFewPoints Reason = "too_few_points"
	Degenerate   Reason = "degenerate"
	NotConverged Reason = "not_converged"
)
