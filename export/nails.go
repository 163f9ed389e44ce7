package export

import (
	"iter"
	"slices"

	"shaftgauge/measure"
)

// Nails is nails.csv: one row a nail of the user's list on each femur it could
// be laid into.
var Nails = Table[NailRow]{
	Name:  "nails.csv",
	Title: "Nails of the user's list against the canal",
	About: "One row a nail of the user's list on each lateral film whose canal it could be laid into: an arc of the nail's radius, from the canal's entry. " +
		emptyCell + " " + uncertainty + " Planning is the surgeon's. " + harmless + " " + forReview,
	columns: nailColumns(),
}

// NailRow is one nail of the list in the femur of Record.
type NailRow struct {
	Record *measure.Record
	Nail   *measure.NailFit
}

// NailRows are the rows of all nails in femurs.
func NailRows(femurs []measure.Femur) iter.Seq[NailRow] {
	return func(yield func(NailRow) bool) {
		for i := range femurs {
			f := &femurs[i]
			for k := range f.Nails {
				if !yield(NailRow{&f.Record, &f.Nails[k]}) {
					return
				}
			}
		}
	}
}

func nailColumns() []column[NailRow] {
	record := func(r *NailRow) *measure.Record { return r.Record }
	return append(recordColumns(record, "", slices.Concat(filmKeys, []string{"scale_basis"})...),
		column[NailRow]{Column: measure.Column{Name: "nail", Datatype: measure.String, Definition: "Name of the nail in the user's list."},
			required: true, cell: func(r *NailRow) any { return r.Nail.Name }},
		column[NailRow]{Column: measure.NailTipGap, cell: func(r *NailRow) any { return r.Nail.TipGap }})
}
