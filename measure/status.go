package measure

import "slices"

// DetermineStatus returns the status of a row whose values and reasons are set.
//
//   - not_measured: the row has no value.
//   - measured: every column that this view and extent ask for is filled: the
//     axis; with a view, the bow's curvature; lengths (so a scale is known);
//     on AP levels from the lesser trochanter; every fixed level that lies
//     within the visible diaphysis; and, where the whole diaphysis is seen,
//     the bow's angle and sagitta and the isthmus; and two estimates of the
//     edges agree.
//   - partial: anything else.
//
// What the film does not reach to is not asked for: a film from the hip to the
// middle of the shaft can be measured. A bow too slight for a radius is
// measured too.
func DetermineStatus(r *Record) Status {
	if len(r.Values) == 0 {
		return StatusNotMeasured
	}
	if slices.Contains(r.Reasons, EstimatesDisagree) {
		return StatusPartial
	}
	for _, q := range asked(r) {
		if _, ok := r.Values[q]; !ok {
			return StatusPartial
		}
	}
	if _, known := sides[r.View]; !known || r.View == AP && r.LevelOrigin != "lesser_trochanter" {
		return StatusPartial
	}
	return StatusMeasured
}

// asked lists the quantities that a row of this view and extent should have.
func asked(r *Record) []Quantity {
	q := []Quantity{ShaftAxis, VisibleFrom, VisibleTo, BowCurvature, BowSpan}
	if r.LevelOrigin != "lesser_trochanter" {
		return q
	}
	from, to := r.Values[VisibleFrom].X, r.Values[VisibleTo].X
	for _, level := range Levels {
		if at := float64(level); from <= at && at <= to {
			q = append(q, CortexAt(r.View, true, level), CortexAt(r.View, false, level),
				OuterWidthAt(level), CanalWidthAt(level), CorticalIndexAt(level))
		}
	}
	if slices.Contains(r.Reasons, DiaphysisCut) {
		return q
	}
	return append(q, BowAngle, BowSagitta, IsthmusLevel, IsthmusCanalWidth, IsthmusOuterWidth, IsthmusCorticalIndex)
}

// StoppedBy is why nothing of a row was measured: the reason that was noted last.
// Empty where something was.
func (r *Record) StoppedBy() Reason {
	if r.Status != StatusNotMeasured || len(r.Reasons) == 0 {
		return ""
	}
	return r.Reasons[len(r.Reasons)-1]
}

// ShowsFemur reports whether r is the row of a femur, measured or not: not that of
// a file that could not be read, a picture on which none was found, or a shaft that
// may be another bone.
func (r *Record) ShowsFemur() bool {
	kind := r.kind()
	return kind == measuredRow || kind == femurNotMeasured
}

// rowKind says what a row without a number may be.
type rowKind int

const (
	measuredRow rowKind = iota
	femurNotMeasured
	notRead
	maybeFemur
	noFemur
)

func (r *Record) kind() rowKind {
	one := func(codes ...Reason) bool {
		return slices.ContainsFunc(codes, func(c Reason) bool { return slices.Contains(r.Reasons, c) })
	}
	switch {
	case r.Status != StatusNotMeasured:
		return measuredRow
	case one(NoFemurFound, BlankImage):
		return noFemur
	case one(UnreadableFile, UnsupportedImage, ImageTooLarge, WorkerCrashed, TimeLimit, MemoryLimit):
		return notRead
	case one(FemurUncertain):
		return maybeFemur
	}
	return femurNotMeasured
}
