package measure

import "shaftgauge/measure/geom"

// Side is the patient's side: "R", "L" or empty.
type Side string

// View is the projection: "AP" or "LAT", or empty.
type View string

// The sides and views a row can name.
const (
	Right   Side = "R"
	Left    Side = "L"
	AP      View = "AP"
	Lateral View = "LAT"
)

// Basis says what a side or a view was read from.
type Basis string

// The bases of the measurement contract.
const (
	ByTag         Basis = "tag"
	ByAnatomy     Basis = "anatomy"
	ByOrientation Basis = "orientation"
)

// Status says how much of a femur was measured.
type Status string

// The three statuses of a row.
const (
	StatusMeasured    Status = "measured"
	StatusPartial     Status = "partial"
	StatusNotMeasured Status = "not_measured"
)

// Quantity is the column name of a measured number, unit included.
type Quantity string

// Value is a measured number and its expanded uncertainty (coverage about
// 95 %, in the sense of JCGM 100:2008), both in the unit of its column.
type Value struct {
	X   float64 `json:"x"`
	U95 float64 `json:"u95"`
}

// Record is one row of measurements.csv: one femur on one image. Pure data.
// A quantity that is absent from Values was not measured.
type Record struct {
	Source      string `json:"source"`
	Frame       int    `json:"frame"` // from 1
	InstanceUID string `json:"instance_uid,omitempty"`
	SeriesUID   string `json:"series_uid,omitempty"`
	StudyUID    string `json:"study_uid,omitempty"`
	PatientKey  string `json:"patient_key,omitempty"`
	// AccessionKey is the accession number hashed as the patient ID is. It has no
	// column: it is for matching the rows of a registry.
	AccessionKey string `json:"accession_key,omitempty"`
	StudyDate    string `json:"study_date,omitempty"` // DICOM DA, YYYYMMDD

	Side      Side     `json:"side,omitempty"`
	SideBasis Basis    `json:"side_basis,omitempty"`
	View      View     `json:"view,omitempty"`
	ViewBasis Basis    `json:"view_basis,omitempty"`
	Status    Status   `json:"status"`
	Reasons   []Reason `json:"reasons,omitempty"`

	PixelMM       float64 `json:"pixel_mm,omitempty"`      // 0: no scale
	ScaleBasis    string  `json:"scale_basis,omitempty"`   // calibrated, magnification_factor, distances, marker, detector, none
	Magnification float64 `json:"magnification,omitempty"` // 0: not known
	LevelOrigin   string  `json:"level_origin,omitempty"`  // lesser_trochanter or shaft_top
	BowPlane      string  `json:"bow_plane,omitempty"`     // coronal or sagittal

	Values map[Quantity]Value `json:"values,omitempty"`
	Texts  map[string]string  `json:"texts,omitempty"` // focal_surface, lucent_line, implant, review_reasons: columns of words, by name
}

// Set records the value x of quantity q with its expanded uncertainty.
func (r *Record) Set(q Quantity, x, u95 float64) {
	if r.Values == nil {
		r.Values = make(map[Quantity]Value)
	}
	r.Values[q] = Value{X: x, U95: u95}
}

// AddReason appends a reason code once.
func (r *Record) AddReason(code Reason) {
	for _, have := range r.Reasons {
		if have == code {
			return
		}
	}
	r.Reasons = append(r.Reasons, code)
}

// Geometry is what geometry/*.json holds of one femur: polylines and landmarks
// in pixel coordinates of the stored image. What was not found is absent.
type Geometry struct {
	Source    string                     `json:"source"`
	Frame     int                        `json:"frame"`
	Side      Side                       `json:"side,omitempty"`
	View      View                       `json:"view,omitempty"`
	Midline   []geom.PointPx             `json:"midline,omitempty"`
	Contours  map[string][]geom.PointPx  `json:"contours,omitempty"`  // outer_lateral, outer_medial, inner_lateral, inner_medial; on LAT *_anterior, *_posterior
	Landmarks map[string]geom.PointPx    `json:"landmarks,omitempty"` // lesser_trochanter, head_centre, neck_centre, condyle_lateral, condyle_medial
	Circles   map[string]CirclePx        `json:"circles,omitempty"`   // bow, head
	Levels    map[string][2]geom.PointPx `json:"levels,omitempty"`    // label ("50", "isthmus") to the two outer points there
	Focal     []FocalPx                  `json:"focal,omitempty"`     // focal thickenings of the lateral cortex, proximal first
}

// FocalPx is where a focal thickening lies on the film: the outer edge's points
// at both ends of its full width at half height and at its peak. Level and height
// are 0 on a film without a scale.
type FocalPx struct {
	LevelMM  float64
	HeightMM float64
	From, To geom.PointPx
	Peak     geom.PointPx
}

// CirclePx is a circle in pixel coordinates (of isotropic pixels).
type CirclePx struct {
	C geom.PointPx `json:"centre"`
	R float64      `json:"radius"`
}

// ProfileRow is one row of profiles.parquet: the shaft at one level, every
// millimetre. Positive and negative stand for lateral and medial on AP, for
// anterior and posterior on LAT. NaN means not measured there.
type ProfileRow struct {
	LevelMM                       float64
	PositiveCortexMM              float64
	PositiveCortexU95MM           float64
	NegativeCortexMM              float64
	NegativeCortexU95MM           float64
	OuterWidthMM, OuterWidthU95MM float64
	CanalWidthMM, CanalWidthU95MM float64
	MidlineOffsetMM               float64 // from the chord of the visible mid-diaphyseal line, + lateral or anterior
}

// Focal is one focal thickening of the lateral cortex, a row of focal.csv.
type Focal struct {
	Level, Height, Length Value   // mm: of the peak, over the cortex's own baseline, full width at half height
	OuterShare            Value   // part of the height that stands out of the outer surface, 0 … 1
	Surface               string  // periosteal, endosteal or both
	SNR                   float64 // height over the baseline's residual noise
	Line                  LucentLine
}

// LucentLine is what is seen of a dark line through the lateral cortex at or
// near a focal thickening.
type LucentLine struct {
	State    string  // seen, not_seen or not_assessable
	Depth    Value   // part of the cortex that it crosses; where seen
	Angle    Value   // degrees from square to the shaft; where seen
	Contrast float64 // over the noise; where seen
	FloorMM  float64 // narrowest line that could have been seen; 0: not known
}

// NailFit is how one nail of the user's list would lie in the canal of a femur
// on a lateral film, a row of nails.csv.
type NailFit struct {
	Name   string
	TipGap Value // mm from the nail to the anterior inner cortex at its tip, negative through it
}

// Femur is everything one femur on one film leaves behind.
type Femur struct {
	Record   Record       `json:"record"`
	Geometry *Geometry    `json:"geometry,omitempty"`
	Profile  []ProfileRow `json:"profile,omitempty"`
	Focal    []Focal      `json:"focal,omitempty"` // along the shaft, proximal first
	Nails    []NailFit    `json:"nails,omitempty"` // in the order of the user's list
}
