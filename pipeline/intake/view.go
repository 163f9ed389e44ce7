package intake

import (
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// oblique stands among views for a projection that is neither AP nor lateral.
const oblique measure.View = "oblique"

// viewPositions holds the defined terms of View Position (0018,5101): PS3.3
// C.8.1.1 (CR) and the terms that DX equipment adds. A femur film taken from
// behind (PA) shows the same plane as AP. Decubitus terms (RLD, LLD) say how
// the patient lay, not where the beam came from.
var viewPositions = map[string]measure.View{
	"AP": measure.AP, "PA": measure.AP,
	"LL": measure.Lateral, "RL": measure.Lateral, "LAT": measure.Lateral, "LATERAL": measure.Lateral,
	"ML": measure.Lateral, "LM": measure.Lateral, "XTL": measure.Lateral,
	"LLO": oblique, "RLO": oblique, "OBL": oblique, "OBLIQUE": oblique,
	"RAO": oblique, "LAO": oblique, "RPO": oblique, "LPO": oblique, "MLO": oblique, "LMO": oblique,
}

// viewCodes holds the codes of CID 4010 (DX View, PS3.16) that say something of
// a femur film's plane: SNOMED CT and, for older files, SNOMED-RT. Read from
// pydicom's dictionaries of PS3.16.
var viewCodes = map[string]measure.View{
	"399348003": measure.AP, "R-10206": measure.AP, // antero-posterior
	"272479007": measure.AP, "R-40888": measure.AP, // postero-anterior
	"399033003": measure.AP, "R-10202": measure.AP, // frontal
	"399067008": measure.Lateral, "R-102CD": measure.Lateral, // lateral
	"399260004": measure.Lateral, "R-10224": measure.Lateral, // medial-lateral
	"399352003": measure.Lateral, "R-10228": measure.Lateral, // lateral-medial
	"399198007": measure.Lateral, "R-10232": measure.Lateral, // right lateral
	"399173006": measure.Lateral, "R-10236": measure.Lateral, // left lateral
	"30730003": measure.Lateral, "G-A145": measure.Lateral, // sagittal
	"399312000": oblique, "R-10208": oblique, // antero-posterior oblique
	"399059000": oblique, "R-10216": oblique, // postero-anterior oblique
	"399160007": oblique, "R-10204": oblique, // frontal oblique
	"399135007": oblique, "R-10220": oblique, // left anterior oblique
	"399356000": oblique, "R-40985": oblique, // right anterior oblique
	"399006002": oblique, "R-10212": oblique, // left posterior oblique
	"399038007": oblique, "R-10210": oblique, // right posterior oblique
	"399184004": oblique, "R-10238": oblique, // left oblique
	"399236003": oblique, "R-10234": oblique, // right oblique
	"399182000": oblique, "R-102C1": oblique, // oblique
	"260427002": oblique, "R-40783": oblique, // lateral oblique
	"260426006": oblique, "R-40782": oblique, // medial oblique
	"399099002": oblique, "R-10230": oblique, // latero-medial oblique
	"399368009": oblique, "R-10226": oblique, // medio-lateral oblique
	"399061009": oblique, "R-10241": oblique, // axial
	"399110001": oblique, "R-102C2": oblique, // tangential
}

// readView takes the view from View Position (0018,5101), the View Code Sequence
// (0054,0220) and films.csv. All that speak must agree, and Patient Orientation
// must fit: it names no view on its own, since equipment fills it by default.
func (h *Header) readView(d *part10.Dataset, beside job.Beside) {
	claims := []measure.View{
		viewPositions[strings.ToUpper(d.Text(tag.ViewPosition))],
		viewPositions[strings.ToUpper(beside.View)],
	}
	for _, item := range d.Items(tag.ViewCodeSequence) {
		claims = append(claims, viewCodes[item.Text(tag.CodeValue)])
	}
	view, ok := agreed(claims)
	if plane := h.plane(); ok && plane != "" && view != "" && view != oblique && plane != view {
		ok = false
	}
	switch {
	case !ok:
		h.addReason(measure.ViewConflict)
	case view == oblique:
		h.addReason(measure.ViewOblique)
	default:
		h.View = view
	}
}

// plane is the view that Patient Orientation fits (PS3.3 C.7.6.1.1.1): one
// direction along the body (H, F), the other across it from side to side (R, L)
// or from front to back (A, P). The first letter is the main direction.
func (h *Header) plane() measure.View {
	var across byte
	along := false
	for _, o := range h.Orientation {
		if o == "" {
			return ""
		}
		switch o[0] {
		case 'H', 'F':
			along = true
		default:
			across = o[0]
		}
	}
	switch {
	case along && (across == 'R' || across == 'L'):
		return measure.AP
	case along && (across == 'A' || across == 'P'):
		return measure.Lateral
	}
	return ""
}
