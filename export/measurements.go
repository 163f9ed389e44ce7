package export

import (
	"iter"
	"math"
	"slices"
	"strings"

	"shaftgauge/measure"
)

// Measurements is measurements.csv: one row a femur an image.
var Measurements = Table[measure.Record]{
	Name:  "measurements.csv",
	Title: "Femur radiograph measurements",
	About: "One row a femur an image. " + emptyCell + " The reasons column says why. " +
		uncertainty + " " + harmless +
		" There is no primary key: two femurs on one image share source and frame, and are told apart by side where it is known. " + forReview,
	Notes:   measure.Reasons,
	columns: recordColumns(func(r *measure.Record) *measure.Record { return r }, ""),
}

// MeasurementRows are the rows of femurs in [Measurements].
func MeasurementRows(femurs []measure.Femur) iter.Seq[measure.Record] {
	return func(yield func(measure.Record) bool) {
		for i := range femurs {
			if !yield(femurs[i].Record) {
				return
			}
		}
	}
}

// Sentences that every table's description has.
const (
	emptyCell   = "An empty cell was not measured."
	uncertainty = "A column X_u95 is the expanded uncertainty of column X, coverage about 95 % (JCGM 100:2008)."
	harmless    = "An apostrophe before = + - @ or a control character in a text cell was put there so that no spreadsheet takes it for a formula."
	forReview   = "Measurements for human review; not a diagnosis."
)

// recordColumns returns the named columns of measurements.csv, all where none is
// named, of the record that a row has, with suffix after their names.
func recordColumns[T any](of func(*T) *measure.Record, suffix string, names ...string) []column[T] {
	var out []column[T]
	for _, col := range measure.Columns {
		if len(names) > 0 && !slices.Contains(names, col.Name) {
			continue
		}
		cell := recordCell(col)
		c := column[T]{Column: col, cell: func(row *T) any { return cell(of(row)) }}
		switch col.Name {
		case "source", "frame", "status":
			c.required = true
		case "reasons":
			c.separator = ";"
		case measure.ReviewReasons:
			c.separator = "; "
		}
		c.Name += suffix
		out = append(out, c)
	}
	return out
}

// recordCell returns how a record fills a column.
func recordCell(col measure.Column) func(*measure.Record) any {
	switch col.Name {
	case "source":
		return func(r *measure.Record) any { return r.Source }
	case "frame":
		return func(r *measure.Record) any { return r.Frame }
	case "instance_uid":
		return func(r *measure.Record) any { return r.InstanceUID }
	case "series_uid":
		return func(r *measure.Record) any { return r.SeriesUID }
	case "study_uid":
		return func(r *measure.Record) any { return r.StudyUID }
	case "patient_key":
		return func(r *measure.Record) any { return r.PatientKey }
	case "study_date":
		return func(r *measure.Record) any { return r.StudyDate }
	case "side":
		return func(r *measure.Record) any { return string(r.Side) }
	case "side_basis":
		return func(r *measure.Record) any { return string(r.SideBasis) }
	case "view":
		return func(r *measure.Record) any { return string(r.View) }
	case "view_basis":
		return func(r *measure.Record) any { return string(r.ViewBasis) }
	case "status":
		return func(r *measure.Record) any { return string(r.Status) }
	case "reasons":
		return func(r *measure.Record) any { return joinReasons(r.Reasons) }
	case "pixel_mm":
		return func(r *measure.Record) any { return known(r.PixelMM) }
	case "scale_basis":
		return func(r *measure.Record) any { return r.ScaleBasis }
	case "magnification":
		return func(r *measure.Record) any { return known(r.Magnification) }
	case "level_origin":
		return func(r *measure.Record) any { return r.LevelOrigin }
	case "bow_plane":
		return func(r *measure.Record) any { return r.BowPlane }
	}
	q := measure.Quantity(col.Name)
	return func(r *measure.Record) any {
		if v, ok := r.Values[q]; ok {
			return v
		}
		return r.Texts[col.Name]
	}
}

func joinReasons(codes []measure.Reason) string {
	s := make([]string, len(codes))
	for i, c := range codes {
		s[i] = string(c)
	}
	return strings.Join(s, ";")
}

// known is x, where 0 stands for not known.
func known(x float64) float64 {
	if x <= 0 {
		return math.NaN()
	}
	return x
}
