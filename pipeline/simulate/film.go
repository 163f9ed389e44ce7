package simulate

import (
	"encoding/json"
	"io"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Film is one simulated radiograph as an archive would store it: pixel values,
// the facts its header states, and the exact truth behind it.
type Film struct {
	Pixels      []uint16 // row by row, 0 … 2^Bits − 1, as stored (low is white when Monochrome1)
	Rows, Cols  int
	Bits        int // bits stored, 8 … 16
	Monochrome1 bool
	Facts       Facts
	Truth       Truth
}

// Object is the kind of DICOM object that a film is kept in.
type Object string

// The object kinds the simulator draws.
const (
	ComputedRadiography Object = "CR"
	DigitalPresentation Object = "DX_PRESENTATION"
	DigitalProcessing   Object = "DX_PROCESSING"
	Fluoroscopy         Object = "RF"
	SecondaryCapture    Object = "SC"
)

// Facts is what the header of a film says. A zero field is absent from the
// header. Spacings are in mm in the order of geom.Spacing, distances in mm.
// The facts are true of the film unless Truth says otherwise.
type Facts struct {
	Object   Object
	Modality string // CR, DX, RF, OT

	ImagerPixelSpacing  geom.Spacing // (0018,1164), at the detector
	PixelSpacing        geom.Spacing // (0028,0030)
	CalibrationType     string       // (0028,0A02): FIDUCIAL or GEOMETRY
	PixelAspectRatio    [2]int       // (0028,0034): vertical, horizontal
	MagnificationFactor float64      // (0018,1114)
	SourceToDetector    float64      // (0018,1110)
	SourceToPatient     float64      // (0018,1111), to the table top (DX)

	ImageLaterality    string    // (0020,0062): R, L, B, U
	Laterality         string    // (0020,0060)
	ViewPosition       string    // (0018,5101): AP, PA, LL, RL, LLO …
	ViewCode           string    // SNOMED code of the view, as in CID 4010, e.g. 399348003 (antero-posterior)
	BodyPart           string    // (0018,0015): FEMUR, LEG, HIP, PELVIS, KNEE …
	SeriesDescription  string    // (0008,103E)
	PatientOrientation [2]string // (0020,0020): direction of the rows, direction of the columns

	PixelIntensityRelationship string // (0028,1040): LIN, LOG or empty
	PixelIntensitySign         int    // (0028,1041): 1, −1 or 0
	WindowCenter, WindowWidth  float64

	PatientID, Issuer                string
	PatientName                      string
	StudyDate                        string // YYYYMMDD
	StudyUID, SeriesUID, InstanceUID string
	Station                          string // invented maker and station name
}

// Truth is what is exactly known of a film.
type Truth struct {
	Seed   uint64 `json:"seed"`
	Group  string `json:"group"`
	Unseen bool   `json:"unseen,omitempty"` // drawn from the held-out variation

	// Scale by the contract's order of bases: mm in the patient's plane, or in
	// the detector's plane on the basis "detector".
	ScaleBasis    string       `json:"scale_basis"`
	Spacing       geom.Spacing `json:"spacing_mm"`
	Magnification float64      `json:"magnification"` // that the header yields; 0 when it yields none

	Femurs  []FemurTruth `json:"femurs"`            // none on a film of something else
	Content string       `json:"content,omitempty"` // what else the film shows, when it is no femur

	Contradictions []string `json:"contradictions,omitempty"` // what the header says wrongly: side, view
}

// FemurTruth is the truth of one femur on a film. Polylines run from proximal
// to distal in pixels of the stored image and hold only what lies inside the
// collimated field. The edges are the true projected silhouettes: of the bone's
// outer surface, and of the medullary surface in the middle of its soft
// transition.
type FemurTruth struct {
	Side measure.Side `json:"side"`
	View measure.View `json:"view"`

	LevelOrigin   string  `json:"level_origin"` // lesser_trochanter or shaft_top
	BoneMagnified float64 `json:"bone_magnification"`

	Midline   []geom.PointPx            `json:"midline"`
	Contours  map[string][]geom.PointPx `json:"contours"`  // outer_lateral, outer_medial, inner_lateral, inner_medial; on LAT *_anterior, *_posterior
	Landmarks map[string]geom.PointPx   `json:"landmarks"` // lesser_trochanter, head_centre, neck_centre, greater_trochanter, condyle_lateral, condyle_medial, knee_centre
	// HeadCircle holds the head's outline: the circle of the film plane in mm
	// over Spacing; absent when less than half of its rim is on the film.
	HeadCircle *measure.CirclePx `json:"head_circle,omitempty"`

	Values map[measure.Quantity]float64 `json:"values"` // by column of measurements.csv

	DiaphysisFrom float64 `json:"diaphysis_from_mm"` // visible, as s
	DiaphysisTo   float64 `json:"diaphysis_to_mm"`
	Whole         bool    `json:"whole_diaphysis"` // both ends are on the film

	Focal []FocalTruth `json:"focal,omitempty"`
	// Confounders are what may be taken for a focal thickening and is none.
	Confounders []ConfounderTruth `json:"confounders,omitempty"`

	// Implant is none, intramedullary, plate, stem or other. Edges and Values of a
	// femur with an implant are those of the bone below the metal.
	Implant string      `json:"implant"`
	Metal   *MetalTruth `json:"metal,omitempty"` // nil: no metal in the beam
	// Rotation of the leg in degrees from the pose of its view, + outwards.
	Rotation float64 `json:"rotation_deg"`
	// Broken femurs are displaced: they have no edges and no Values.
	Broken bool `json:"broken,omitempty"`
}

// FocalTruth is one focal thickening of the lateral cortex.
type FocalTruth struct {
	LevelMM       float64 `json:"level_mm"`
	HeightMM      float64 `json:"height_mm"`
	LengthMM      float64 `json:"length_mm"`      // full width at half height
	OuterFraction float64 `json:"outer_fraction"` // periosteal share of the height
	LineWidthMM   float64 `json:"line_width_mm,omitempty"`
	LineDepth     float64 `json:"line_depth_fraction,omitempty"`
	LineAngleDeg  float64 `json:"line_angle_deg,omitempty"`
}

// ConfounderTruth is something on the shaft that is no focal thickening of the
// lateral cortex: gluteal_ridge, callus (all round), medial (a bump there) or
// nutrient_canal (its height is its width).
type ConfounderTruth struct {
	Kind     string  `json:"kind"`
	LevelMM  float64 `json:"level_mm"`
	HeightMM float64 `json:"height_mm"`
	LengthMM float64 `json:"length_mm"`
}

// WriteJSON writes the truth, indented, with a final newline.
func (t Truth) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(t)
}
