package job

// Inspection asks for one frame, its pixels or its rows with a reader's
// corrections. Answers to it are for that reader's eyes and never enter the
// ledger of films.
type Inspection struct {
	Frame  int  `json:"frame"`            // from 1
	Pixels bool `json:"pixels,omitempty"` // asks for the frame's pixels; nothing is measured

	Femur       int          `json:"femur,omitempty"` // the row, from 1, among those of its frame, that the corrections are of
	Corrections []Correction `json:"corrections,omitempty"`
}

// Kinds of corrections.
const (
	MoveLandmark = "landmark"    // Name is at To
	MoveEdge     = "edge"        // the edge Name near From moves by To less From, fading out along it
	DrawEdge     = "draw_edge"   // the edge Name runs through Points
	MoveLevel    = "level"       // every level moves along the shaft by To less From, From being on one of them
	HeadRadius   = "head_radius" // the head's circle has that Radius
)

// MostPoints is the most points that an edge is drawn through.
const MostPoints = 200

// Correction is one thing that a reader set by hand. Places are in pixels of the
// stored frame, X then Y, names those of the geometry.
type Correction struct {
	Kind   string     `json:"kind"`
	Name   string     `json:"name,omitempty"`
	From   [2]float64 `json:"from,omitzero"`
	To     [2]float64 `json:"to,omitzero"`
	Radius float64    `json:"radius,omitzero"` // px along a row

	Points [][2]float64 `json:"points,omitempty"` // along the shaft; at most [MostPoints]
}
