package intake

import (
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Film is one frame with what its header says. Pixels are modality values in
// steps of the stored value, shifted to start at 0, in display polarity: bone
// is bright (MONOCHROME1 is already inverted).
type Film struct {
	Pixels     []uint16 // row by row
	Rows, Cols int
	Bits       int  // values lie in 0 … 2^Bits − 1
	Linear     bool // 2^Bits − 1 − pixel is linear in the exposure, not in its logarithm (Pixel Intensity Relationship LIN)
	Padded     bool // padding was present; those pixels hold 0

	Frame  int // from 1
	Header Header
}

// Header is what a file says about a film besides its pixels.
type Header struct {
	InstanceUID, SeriesUID, StudyUID string
	PatientID, Issuer                string // never written out: only hashed
	Accession                        string // likewise
	StudyDate                        string
	Modality, SOPClass               string

	Side Side         // by tag; empty when the header does not say, or contradicts itself
	View measure.View // by tag; empty likewise
	// Orientation holds Patient Orientation (0020,0020): row direction, column direction; empty when absent.
	Orientation [2]string

	Scale   Scale
	Reasons []measure.Reason // contradictions found in the header
}

// Side is what the header's laterality says.
type Side string

// The sides a header can name: the patient's right or left, or Both for a film
// of two legs.
const (
	Right Side = "R"
	Left  Side = "L"
	Both  Side = "B"
)

// Scale is the pixel size by the contract's rules, before any marker is looked for.
type Scale struct {
	Spacing       geom.Spacing // mm after magnification; zero when Basis is "none"
	Detector      geom.Spacing // Imager Pixel Spacing as stored (else Nominal Scanned Pixel Spacing), zero when absent
	Aspect        float64      // row spacing over column spacing even where mm are unknown (Pixel Aspect Ratio); 1 when nothing is said
	Basis         string       // calibrated, magnification_factor, distances, detector, none
	Magnification float64      // used; 0 when not known
}

// addReason appends a reason code once.
func (h *Header) addReason(code measure.Reason) {
	for _, have := range h.Reasons {
		if have == code {
			return
		}
	}
	h.Reasons = append(h.Reasons, code)
}
