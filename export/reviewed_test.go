package export

import (
	"testing"

	"shaftgauge/measure"
)

// One femur accepted, one corrected, which lost a number and won one, one
// rejected by a second reader whose words look like a formula, and one that was
// not measured.
func TestReviewed(t *testing.T) {
	femurs := bothSides()
	corrected := measure.Record{Side: measure.Left}
	corrected.Set(measure.VisibleFrom, 20, 1)
	corrected.Set(measure.NeckShaftAngle, 129.5, 2.21)
	corrected.Set(measure.HeadDiameter, 47.5, 1.1)
	empty := measure.Record{Source: "blank.dcm", Frame: 2, Status: measure.StatusNotMeasured}
	at := "2026-03-01T09:30:00Z"
	checkWritten(t, &Reviewed, ReviewedRows([]ReviewedFemur{
		{Measured: &femurs[0].Record, Reviewed: &femurs[0].Record, Femur: 1, Answers: [][2]string{{"general_thickening", "unsure"}, {"not_comminuted", "yes"}},
			By: ReviewedBy{Reading: "first", Basis: "accepted", Reviewer: "ann", At: at}},
		{Measured: &femurs[1].Record, Reviewed: &corrected, Femur: 2, By: ReviewedBy{Reading: "first", Basis: "corrected", Reviewer: "ann", At: at, Note: "head, rim"}},
		{Measured: &femurs[2].Record, Femur: 1, By: ReviewedBy{Reading: "second", Basis: "rejected", Reviewer: "ben", At: at, Why: "=blurred"}},
		{Measured: &empty, Femur: 1, By: ReviewedBy{Reading: "first", Basis: "rejected", Reviewer: "ann", At: at, Why: "no femur"}},
	}))
}
