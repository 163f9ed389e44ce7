package intake

import (
	"strings"
	"unicode"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// Codes of laterality: SNOMED CT (CID 244, PS3.16) and the SNOMED-RT codes that
// older files carry in their place.
var sideCodes = map[string]Side{
	"24028007": Right, "7771000": Left, "51440002": Both,
	"G-A100": Right, "G-A101": Left, "G-A102": Both,
}

// readSide takes the side from Image Laterality (0020,0062), Laterality
// (0020,0060), the anatomic region's modifiers (0008,2220) and films.csv. All
// that speak must agree. The words of Series Description and Protocol Name name
// no side on their own, but may not contradict one.
func (h *Header) readSide(d *part10.Dataset, beside job.Beside) {
	claims := []Side{
		sideOf(d.Text(tag.ImageLaterality)),
		sideOf(d.Text(tag.Laterality)),
		sideOf(beside.Side),
	}
	claims = append(claims, regionSide(d))
	side, agree := agreed(claims)
	if !agree {
		h.addReason(measure.SideConflict)
		return
	}
	h.Side = side
	for _, t := range []tag.Tag{tag.SeriesDescription, tag.ProtocolName} {
		if word := sideInWords(d.Text(t)); word != "" && side != "" && side != Both && word != side {
			h.addReason(measure.SideConflict)
			h.Side = ""
		}
	}
}

// agreed returns what all non-empty claims say; ok is false when they differ.
func agreed[T ~string](claims []T) (claim T, ok bool) {
	for _, c := range claims {
		if c == "" {
			continue
		}
		if claim != "" && c != claim {
			return "", false
		}
		claim = c
	}
	return claim, true
}

// sideOf reads a laterality: the defined terms R, L and B, or the same in words.
// U (unpaired) and anything else say nothing.
func sideOf(s string) Side {
	switch strings.ToUpper(strings.TrimSpace(s)) {
	case "R", "RIGHT":
		return Right
	case "L", "LEFT":
		return Left
	case "B", "BOTH", "BILATERAL":
		return Both
	}
	return ""
}

// regionSide reads the modifiers of the Anatomic Region Sequence (0008,2218).
// Right and left together name both.
func regionSide(d *part10.Dataset) Side {
	var side Side
	for _, region := range d.Items(tag.AnatomicRegionSequence) {
		for _, m := range region.Items(tag.AnatomicRegionModifierSequence) {
			s := sideCodes[m.Text(tag.CodeValue)]
			if s != "" && side != "" && s != side {
				s = Both
			}
			if s != "" {
				side = s
			}
		}
	}
	return side
}

// sideInWords returns the one side that a free text names, empty when it names
// none or both.
func sideInWords(s string) Side {
	var side Side
	for _, w := range strings.FieldsFunc(strings.ToUpper(s), func(r rune) bool { return !unicode.IsLetter(r) }) {
		var said Side
		switch w {
		case "RIGHT", "RT":
			said = Right
		case "LEFT", "LT":
			said = Left
		case "BOTH", "BILATERAL", "BILAT":
			return ""
		}
		if said != "" && side != "" && said != side {
			return ""
		}
		if said != "" {
			side = said
		}
	}
	return side
}
