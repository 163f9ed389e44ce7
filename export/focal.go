package export

import (
	"iter"
	"slices"

	"shaftgauge/measure"
)

// Focals is focal.csv: one row a focal thickening.
var Focals = Table[FocalRow]{
	Name:  "focal.csv",
	Title: "Focal thickenings of the lateral cortex",
	About: "One row a focal thickening of the lateral cortex, along the shaft, in the order of the rows of measurements.csv, which name only the most prominent one of each femur. " +
		emptyCell + " " + uncertainty + " A line that was not seen may be there: published ones are about 0.2 mm wide. " + harmless + " " + forReview,
	columns: focalColumns(),
}

// FocalRow is one focal thickening: the Nth of the femur of Record, from 1,
// proximal first.
type FocalRow struct {
	Record *measure.Record
	N      int
	Focal  *measure.Focal
}

// FocalRows are the rows of all thickenings of femurs.
func FocalRows(femurs []measure.Femur) iter.Seq[FocalRow] {
	return func(yield func(FocalRow) bool) {
		for i := range femurs {
			f := &femurs[i]
			for k := range f.Focal {
				if !yield(FocalRow{&f.Record, k + 1, &f.Focal[k]}) {
					return
				}
			}
		}
	}
}

// filmKeys are the columns that tell which femur on which film a row is of.
var filmKeys = []string{"source", "frame", "instance_uid", "study_uid", "patient_key", "study_date", "study_day", "side", "view"}

func focalColumns() []column[FocalRow] {
	record := func(r *FocalRow) *measure.Record { return r.Record }
	out := recordColumns(record, "", slices.Concat(filmKeys, []string{"scale_basis", "level_origin"})...)
	add := func(c measure.Column, cell func(*FocalRow) any) {
		out = append(out, column[FocalRow]{Column: c, cell: cell})
	}
	// like is a column of measurements.csv in words of the thickening in the row.
	like := func(q measure.Quantity, definition string) measure.Column {
		c := measure.ColumnOf(q)
		c.Definition = definition
		return c
	}
	// seen is a value of the line, which only a line that was seen has.
	seen := func(of func(*measure.LucentLine) any) func(*FocalRow) any {
		return func(r *FocalRow) any {
			if r.Focal.Line.State != "seen" {
				return nil
			}
			return of(&r.Focal.Line)
		}
	}
	add(measure.Column{Name: "focal", Unit: "1", Datatype: measure.Integer, Definition: "Number of the thickening on its femur, from 1, proximal first."},
		func(r *FocalRow) any { return r.N })
	add(like(measure.FocalLevel, "Level of its peak."), func(r *FocalRow) any { return r.Focal.Level })
	add(like(measure.FocalHeight, "Height of the peak over the thickness the cortex would have there without it."), func(r *FocalRow) any { return r.Focal.Height })
	add(like(measure.FocalLength, "Its full width at half its height."), func(r *FocalRow) any { return r.Focal.Length })
	add(measure.FocalOuterShare, func(r *FocalRow) any { return r.Focal.OuterShare })
	add(like("focal_surface", "Surface that it stands out from: periosteal, endosteal or both."), func(r *FocalRow) any { return r.Focal.Surface })
	add(like(measure.FocalSNR, "Height over the residual noise of the cortex's baseline."), func(r *FocalRow) any { return r.Focal.SNR })
	add(like("lucent_line", "Dark line through the lateral cortex at or near it: seen, not_seen or not_assessable."), func(r *FocalRow) any { return r.Focal.Line.State })
	add(measure.ColumnOf(measure.LucentLineDepthFraction), seen(func(l *measure.LucentLine) any { return l.Depth }))
	add(measure.ColumnOf(measure.LucentLineAngle), seen(func(l *measure.LucentLine) any { return l.Angle }))
	add(measure.LucentLineContrast, seen(func(l *measure.LucentLine) any { return l.Contrast }))
	add(like(measure.LucentLineFloor, "Narrowest line that could have been seen there."), func(r *FocalRow) any { return known(r.Focal.Line.FloorMM) })
	return out
}
