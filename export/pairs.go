package export

import (
	"iter"

	"shaftgauge/measure"
)

// Pairs is pairs.csv: one row a column that two rows of measurements.csv have
// both.
var Pairs = Table[PairRow]{
	Name:  "pairs.csv",
	Title: "Femurs of one person set against each other",
	About: "One row a pair of femurs and a measured column that both have: right against left within a study (sides), " +
		"and one femur on a film against the next (consecutive) and on the last against the first (first_last). " +
		"a is the right or the later one, b the left or the earlier one, and a difference is a less b. " +
		"Of several rows of one side and view in a study, or on a day, the one with the better status stands for it; then that with more values, that with the smaller uncertainty of shaft_axis_deg, the first by source and frame. " +
		"The uncertainty of a difference is the root of the sum of squares of both (JCGM 100:2008, 5.1.2, no correlation): an error that both share, as the scale of one film, makes it smaller than stated. " +
		"Rows of mirrored_focal_level_mm set each focal thickening against the nearest one on the other side within 50 mm of the mirrored level, where 76.3 % of 76 people with both sides affected had it (Probyn 2015). " +
		"A difference is one of two projections: turning a leg changes angles and bows of the same bone. " +
		"Published differences to set one against: the bones of 160 pairs of young adults differed by less than 2 mm, heads by less than 2 %, necks 4 %, shafts 3.5 % (Young 2013); horizontal offset by 2.5 mm, SD 2.1 (61 people, OTSR 2016); " +
		"and one reader's neck-shaft angles differ by up to 2.5 deg on the same film, so that less than 3.5 deg between two is not resolvable by reading. " +
		emptyCell + " " + uncertainty + " " + harmless + " " + forReview,
	Notes:   measure.PairReasons,
	columns: pairColumns(),
}

// PairRow is one difference of a pair whose rows are A and B.
type PairRow struct {
	Pair       *measure.Pair
	A, B       *measure.Record
	Difference *measure.Difference
}

// PairRows are the rows of pairs, which are those of [measure.Pairs] of femurs.
func PairRows(pairs []measure.Pair, femurs []measure.Femur) iter.Seq[PairRow] {
	return func(yield func(PairRow) bool) {
		for i := range pairs {
			p := &pairs[i]
			differences := p.Differences(femurs)
			for k := range differences {
				if !yield(PairRow{p, &femurs[p.A].Record, &femurs[p.B].Record, &differences[k]}) {
					return
				}
			}
		}
	}
}

func pairColumns() []column[PairRow] {
	a := func(r *PairRow) *measure.Record { return r.A }
	b := func(r *PairRow) *measure.Record { return r.B }
	word := func(name, definition string, required bool, cell func(*PairRow) any) column[PairRow] {
		return column[PairRow]{Column: measure.Column{Name: name, Datatype: measure.String, Definition: definition}, required: required, cell: cell}
	}
	// A value is in the unit of its column: no one unit describes them all.
	value := func(name, definition string, cell func(*PairRow) any) column[PairRow] {
		return column[PairRow]{Column: measure.Column{Name: name, Datatype: measure.Decimal, Digits: 3, Uncertain: true, Definition: definition}, cell: cell}
	}
	reasons := word("reasons", "Codes, joined by semicolons, that say why there is no difference, or what to heed.", false,
		func(r *PairRow) any { return joinReasons(r.Difference.Reasons) })
	reasons.separator = ";"
	out := []column[PairRow]{word("pair", "sides: right and left femur of one study; consecutive: one femur on a film and on the next; first_last: on the last film and on the first, others between.", true,
		func(r *PairRow) any { return string(r.Pair.Kind) })}
	out = append(out, recordColumns(a, "", "patient_key", "view")...)
	keys := []string{"source", "frame", "instance_uid", "study_uid", "study_date", "study_day", "side"}
	out = append(out, recordColumns(a, "_a", keys...)...)
	out = append(out, recordColumns(b, "_b", keys...)...)
	return append(out,
		column[PairRow]{Column: measure.Column{Name: "days", Unit: "d", Datatype: measure.Integer, Definition: "Days from b to a; empty for sides."},
			cell: func(r *PairRow) any {
				if r.Pair.Kind == measure.Sides {
					return nil
				}
				return r.Pair.Days
			}},
		word("quantity", "Column of measurements.csv that is compared, or mirrored_focal_level_mm.", true, func(r *PairRow) any { return string(r.Difference.Quantity) }),
		word("unit", "UCUM code of the unit of the values in this row.", true, func(r *PairRow) any { return r.Difference.Unit }),
		value("value_a", "Value of a, in the row's unit.", func(r *PairRow) any { return r.Difference.A }),
		value("value_b", "Value of b, in the row's unit.", func(r *PairRow) any { return r.Difference.B }),
		value("difference", "Value of a less value of b, in the row's unit; empty where they are not compared.", func(r *PairRow) any { return r.Difference.Less }),
		word("resolvable", "yes where the difference exceeds its expanded uncertainty, no where it does not; empty where that cannot be said.", false,
			func(r *PairRow) any { return string(r.Difference.Resolvable) }),
		reasons)
}
