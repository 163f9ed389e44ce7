package intake

import (
	"math"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// The bases of a scale, in the contract's words ("marker" is found later).
const (
	BasisCalibrated    = "calibrated"
	BasisMagnification = "magnification_factor"
	BasisDistances     = "distances"
	BasisDetector      = "detector"
	BasisNone          = "none"
)

// What the header's numbers may be before they count as wrong.
const (
	// Film digitisers and detectors sample at 0.04 to 0.2 mm, reduced copies at
	// up to some 2 mm (common practice, no source).
	smallestPixelMM, largestPixelMM = 0.01, 5.0
	// A femur lies at most half way between detector and tube, also under a
	// C-arm (common practice, no source).
	largestMagnification = 2.5

	sameSpacing       = 0.005 // relative: decimal strings rounded differently
	sameMagnification = 0.02  // relative, the project's decision table
	sameAspect        = 0.01  // relative
	// Distance Source to Patient ends at the table, so the factor it gives is
	// too small, by at most 1/(1 − 0.2/0.9) for bone 200 mm above a table that
	// lies 900 mm from the tube.
	largestTableGap = 1.29
)

// quantity is a header's number or pair of numbers.
type quantity struct {
	geom.Spacing
	present, wrong bool
}

// ok says that the header has the quantity and that it can be right.
func (q quantity) ok() bool { return q.present && !q.wrong }

func spacingAt(d *part10.Dataset, t tag.Tag) quantity {
	x := d.Numbers(t)
	if len(x) == 0 {
		return quantity{}
	}
	if len(x) != 2 {
		return quantity{present: true, wrong: true}
	}
	q := quantity{Spacing: geom.Spacing{Y: x[0], X: x[1]}, present: true} // row spacing first, PS3.3 10.7.1.3
	q.wrong = !within(q.Y, smallestPixelMM, largestPixelMM) || !within(q.X, smallestPixelMM, largestPixelMM)
	return q
}

// within is false for NaN.
func within(x, low, high float64) bool { return x >= low && x <= high }

// differ says that a and b are further apart than the relative tolerance.
func differ(a, b, tolerance float64) bool { return !(math.Abs(a/b-1) <= tolerance) }

func spacingsDiffer(a, b geom.Spacing, tolerance float64) bool {
	return differ(a.Y, b.Y, tolerance) || differ(a.X, b.X, tolerance)
}

// readScale sets the scale, first that applies: Pixel Spacing with a Calibration
// Type; Imager Pixel Spacing over Estimated Radiographic Magnification Factor;
// over SID/SOD, a lower bound, so with the reason scale_lower_bound; as it is;
// nothing. Nominal Scanned Pixel Spacing stands in for Imager Pixel Spacing on
// digitised films: both are lengths in the plane of the picture. A spacing that
// films.csv states is taken as such a length too, where the header has none.
//
// Reasons: scale_invalid for a number that cannot be right (a spacing: no scale
// at all; a factor or distance: that one is passed over); scale_conflict for
// numbers that contradict each other; scale_unexplained for a Pixel Spacing that
// does not say what it is (PS3.3 10.7.1.1).
func (h *Header) readScale(d *part10.Dataset, beside job.Beside) {
	h.Scale = Scale{Aspect: 1, Basis: BasisNone}
	spacing := spacingAt(d, tag.PixelSpacing)
	imager := spacingAt(d, tag.ImagerPixelSpacing)
	scanned := spacingAt(d, tag.NominalScannedPixelSpacing)
	stated := statedSpacing(beside)

	factor, distances := h.magnifications(d)
	detector := imager
	if !detector.present {
		detector = scanned
	}
	if detector.ok() {
		h.Scale.Detector = detector.Spacing
	}
	h.checkSpacings(d, spacing, imager, scanned, stated)
	if spacing.wrong || detector.wrong || stated.wrong {
		h.addReason(measure.ScaleInvalid)
		return
	}
	if !detector.present {
		detector = stated
	}

	s := &h.Scale
	calibrated := spacing.ok() && d.Has(tag.PixelSpacingCalibrationType)
	h.explain(spacing, detector, factor, calibrated)
	switch {
	case calibrated:
		s.Basis, s.Spacing = BasisCalibrated, spacing.Spacing
		if detector.ok() {
			s.Magnification = detector.Y / spacing.Y
		}
	case detector.ok() && factor > 0:
		s.Basis, s.Magnification = BasisMagnification, factor
	case detector.ok() && distances > 0:
		s.Basis, s.Magnification = BasisDistances, distances
		h.addReason(measure.ScaleLowerBound)
	case detector.ok():
		s.Basis, s.Spacing = BasisDetector, detector.Spacing
	}
	if s.Basis == BasisMagnification || s.Basis == BasisDistances {
		s.Spacing = geom.Spacing{Y: detector.Y / s.Magnification, X: detector.X / s.Magnification}
	}
	if s.Basis != BasisNone {
		s.Aspect = s.Spacing.Y / s.Spacing.X
	}
}

// magnifications returns Estimated Radiographic Magnification Factor and
// SID/SOD, 0 where absent or wrong.
func (h *Header) magnifications(d *part10.Dataset) (factor, distances float64) {
	one := func(t tag.Tag, low, high float64) float64 {
		x := d.Numbers(t)
		if len(x) == 0 {
			return 0
		}
		if len(x) > 1 || !within(x[0], low, high) {
			h.addReason(measure.ScaleInvalid)
			return 0
		}
		return x[0]
	}
	factor = one(tag.EstimatedRadiographicMagnificationFactor, 1, largestMagnification)
	sid := one(tag.DistanceSourceToDetector, 100, 10000)
	sod := one(tag.DistanceSourceToPatient, 100, 10000)
	if sid > 0 && sod > 0 {
		distances = sid / sod
		if !within(distances, 1, largestMagnification) {
			h.addReason(measure.ScaleConflict)
			distances = 0
		}
	}
	if factor > 0 && distances > 0 {
		if r := factor / distances; r < 1-sameMagnification || r > largestTableGap*(1+sameMagnification) {
			h.addReason(measure.ScaleConflict)
		}
	}
	return factor, distances
}

// checkSpacings compares what the header and films.csv say of the pixels' size
// and shape, and reads Pixel Aspect Ratio (0028,0034), vertical over horizontal.
func (h *Header) checkSpacings(d *part10.Dataset, spacing, imager, scanned, stated quantity) {
	var shapes []float64
	for _, q := range []quantity{spacing, imager, scanned} {
		if q.ok() {
			shapes = append(shapes, q.Y/q.X)
		}
	}
	if x := d.Numbers(tag.PixelAspectRatio); len(x) > 0 {
		if len(x) == 2 && within(x[0]/x[1], 0.1, 10) {
			shapes = append(shapes, x[0]/x[1])
		} else {
			h.addReason(measure.ScaleInvalid)
		}
	}
	for _, s := range shapes {
		if differ(s, shapes[0], sameAspect) {
			h.addReason(measure.ScaleConflict)
		}
	}
	if len(shapes) > 0 {
		h.Scale.Aspect = shapes[0]
	}
	if imager.ok() && scanned.ok() && spacingsDiffer(imager.Spacing, scanned.Spacing, sameSpacing) {
		h.addReason(measure.ScaleConflict)
	}
	if stated.ok() {
		near := false
		known := false
		for _, q := range []quantity{spacing, imager, scanned} {
			if q.ok() {
				known = true
				near = near || !spacingsDiffer(q.Spacing, stated.Spacing, sameSpacing)
			}
		}
		if known && !near {
			h.addReason(measure.ScaleConflict)
		}
	}
}

// explain checks Pixel Spacing against the detector's: equal, it was not
// corrected; smaller, the ratio is a magnification that must agree with the
// factor in the header. Without calibration type and factor it stays unexplained.
func (h *Header) explain(spacing, detector quantity, factor float64, calibrated bool) {
	if !spacing.ok() {
		return
	}
	if !detector.ok() {
		if !calibrated {
			h.addReason(measure.ScaleUnexplained)
		}
		return
	}
	ratio := detector.Y / spacing.Y
	equal := !spacingsDiffer(spacing.Spacing, detector.Spacing, sameSpacing)
	switch {
	case equal && !calibrated:
	case !within(ratio, 1-sameSpacing, largestMagnification):
		h.addReason(measure.ScaleConflict)
	case factor > 0:
		if differ(ratio, factor, sameMagnification) {
			h.addReason(measure.ScaleConflict)
		}
	case !calibrated:
		h.addReason(measure.ScaleUnexplained)
	}
}

// statedSpacing is the spacing that films.csv states; one number stands for both.
func statedSpacing(beside job.Beside) quantity {
	y, x := beside.SpacingY, beside.SpacingX
	if y == 0 && x == 0 {
		return quantity{}
	}
	if y == 0 {
		y = x
	}
	if x == 0 {
		x = y
	}
	return quantity{
		Spacing: geom.Spacing{Y: y, X: x},
		present: true,
		wrong:   !within(y, smallestPixelMM, largestPixelMM) || !within(x, smallestPixelMM, largestPixelMM),
	}
}
