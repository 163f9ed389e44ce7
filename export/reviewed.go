package export

import (
	"iter"
	"math"

	"shaftgauge/measure"
)

// Reviewed is reviewed.csv: one row a measured quantity, and one an answer, of
// every femur that a person reviewed.
var Reviewed = Table[ReviewedRow]{
	Name:  "reviewed.csv",
	Title: "Measurements as people reviewed them",
	About: "One row a quantity of each femur that a person accepted, corrected or rejected, in the order of the rows of measurements.csv, which stays as it was measured; after them one row an answer to what the eye sees on the film. " +
		"Where a femur was accepted the reviewed value is the measured one, where it was corrected the one that the same program measured after what the person set by hand, where it was rejected there is none. " +
		"A reading is first where its readers saw each other's decisions, second where a reader saw only his own. " +
		emptyCell + " " + uncertainty + " " + harmless + " " + forReview,
	columns: reviewedColumns(),
}

// ReviewedRow is one quantity or one answer of one review of a femur.
type ReviewedRow struct {
	Record             *measure.Record // as measured
	Femur              int             // row of its frame, from 1
	Quantity           string
	Unit               string
	Measured, Reviewed *measure.Value // nil where there is none
	Answer             string
	Review             *ReviewedBy
}

// ReviewedBy are who reviewed a femur, when and how.
type ReviewedBy struct {
	Reading   string // first or second
	Basis     string // accepted, corrected or rejected
	Reviewer  string
	At        string // RFC 3339
	Why, Note string // of a rejection; of any review
}

// ReviewedFemur is one review of one femur.
type ReviewedFemur struct {
	Measured *measure.Record
	Reviewed *measure.Record // nil where it was rejected
	Femur    int
	Answers  [][2]string // what was asked, what was answered
	By       ReviewedBy
}

// ReviewedRows are the rows of reviews.
func ReviewedRows(reviews []ReviewedFemur) iter.Seq[ReviewedRow] {
	return func(yield func(ReviewedRow) bool) {
		for i := range reviews {
			for _, row := range reviews[i].rows() {
				if !yield(row) {
					return
				}
			}
		}
	}
}

func (f *ReviewedFemur) rows() []ReviewedRow {
	var out []ReviewedRow
	add := func(r ReviewedRow) {
		r.Record, r.Femur, r.Review = f.Measured, f.Femur, &f.By
		out = append(out, r)
	}
	for _, c := range measure.Columns {
		q := measure.Quantity(c.Name)
		if q == measure.ReviewRank || q == measure.StudyDay {
			continue
		}
		row := ReviewedRow{Quantity: c.Name, Unit: c.Unit, Measured: valueOf(f.Measured, c), Reviewed: valueOf(f.Reviewed, c)}
		if row.Measured != nil || row.Reviewed != nil {
			add(row)
		}
	}
	for _, a := range f.Answers {
		add(ReviewedRow{Quantity: a[0], Answer: a[1]})
	}
	if len(out) == 0 { // nothing was measured: the review itself still counts
		add(ReviewedRow{})
	}
	return out
}

// valueOf is the value of a column, nil where r has none.
func valueOf(r *measure.Record, c measure.Column) *measure.Value {
	if r == nil {
		return nil
	}
	v, ok := r.Values[measure.Quantity(c.Name)]
	if !ok {
		return nil
	}
	if !c.Uncertain {
		v.U95 = math.NaN()
	}
	return &v
}

func reviewedColumns() []column[ReviewedRow] {
	word := func(name, definition string, required bool, cell func(*ReviewedRow) any) column[ReviewedRow] {
		return column[ReviewedRow]{Column: measure.Column{Name: name, Datatype: measure.String, Definition: definition}, required: required, cell: cell}
	}
	value := func(name, definition string, cell func(*ReviewedRow) any) column[ReviewedRow] {
		return column[ReviewedRow]{Column: measure.Column{Name: name, Datatype: measure.Decimal, Digits: 3, Uncertain: true, Definition: definition}, cell: cell}
	}
	out := recordColumns(func(r *ReviewedRow) *measure.Record { return r.Record }, "", "source", "frame")
	out = append(out, column[ReviewedRow]{Column: measure.Column{Name: "femur", Unit: "1", Datatype: measure.Integer, Definition: "Number of the row among those of its frame, from 1."},
		required: true, cell: func(r *ReviewedRow) any { return r.Femur }})
	out = append(out, recordColumns(func(r *ReviewedRow) *measure.Record { return r.Record }, "", "instance_uid", "study_uid", "patient_key", "study_date", "study_day", "side", "view")...)
	return append(out,
		word("quantity", "Column of measurements.csv, or key of what the person was asked; empty where nothing was measured.", false, func(r *ReviewedRow) any { return r.Quantity }),
		word("unit", "UCUM code of the unit of the values in this row.", false, func(r *ReviewedRow) any { return r.Unit }),
		value("measured", "Value as measured, in the row's unit.", func(r *ReviewedRow) any { return r.Measured }),
		value("reviewed", "Value as accepted or corrected, in the row's unit.", func(r *ReviewedRow) any { return r.Reviewed }),
		word("answer", "What the person answered: yes, no or unsure.", false, func(r *ReviewedRow) any { return r.Answer }),
		word("basis", "What was decided of the femur: accepted, corrected or rejected.", true, func(r *ReviewedRow) any { return r.Review.Basis }),
		word("reading", "first or second.", true, func(r *ReviewedRow) any { return r.Review.Reading }),
		word("reviewer", "Who decided.", true, func(r *ReviewedRow) any { return r.Review.Reviewer }),
		word("reviewed_at", "When, RFC 3339, UTC.", true, func(r *ReviewedRow) any { return r.Review.At }),
		word("rejected_because", "The person's reason for a rejection.", false, func(r *ReviewedRow) any { return r.Review.Why }),
		word("note", "The person's note.", false, func(r *ReviewedRow) any { return r.Review.Note }))
}
