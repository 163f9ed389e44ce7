package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"shaftgauge/measure"
)

// u95Suffix names the companion column of a measured column.
const u95Suffix = "_u95"

// CSV writes measurements.csv row by row: RFC 4180, UTF-8 without a byte order
// mark, lines ended by CR LF, the columns of [measure.Columns] in their order,
// each measured one followed by its expanded uncertainty.
type CSV struct {
	w   *csv.Writer
	row []string
}

// NewCSV returns a CSV that writes to w, its header line first.
func NewCSV(w io.Writer) (*CSV, error) {
	c := &CSV{w: csv.NewWriter(w)}
	c.w.UseCRLF = true
	if err := c.w.Write(header(measure.Columns)); err != nil {
		return nil, fmt.Errorf("export: csv header: %w", err)
	}
	return c, nil
}

// header returns the column names that cols give in the file.
func header(cols []measure.Column) []string {
	var names []string
	for _, col := range cols {
		names = append(names, col.Name)
		if col.Uncertain {
			names = append(names, col.Name+u95Suffix)
		}
	}
	return names
}

// Write appends the row of r.
func (c *CSV) Write(r *measure.Record) error {
	c.row = c.row[:0]
	for _, col := range measure.Columns {
		if !col.Uncertain {
			c.row = append(c.row, cell(r, col))
			continue
		}
		x, u95 := "", ""
		if v, ok := r.Values[measure.Quantity(col.Name)]; ok && finite(v.X) {
			x, u95 = decimal(v.X, col.Digits), decimalUp(v.U95, col.Digits)
		}
		c.row = append(c.row, x, u95)
	}
	if err := c.w.Write(c.row); err != nil {
		return fmt.Errorf("export: csv row of %q: %w", r.Source, err)
	}
	return nil
}

// Flush writes what is buffered and returns the first error met.
func (c *CSV) Flush() error {
	c.w.Flush()
	if err := c.w.Error(); err != nil {
		return fmt.Errorf("export: csv: %w", err)
	}
	return nil
}

// WriteCSV writes the header and one row a record to w, in the order given.
func WriteCSV(w io.Writer, recs []measure.Record) error {
	c, err := NewCSV(w)
	if err != nil {
		return err
	}
	for i := range recs {
		if err := c.Write(&recs[i]); err != nil {
			return err
		}
	}
	return c.Flush()
}

// cell returns the text of a column that has no uncertainty.
func cell(r *measure.Record, col measure.Column) string {
	switch col.Name {
	case "source":
		return SafeText(r.Source)
	case "frame":
		return strconv.Itoa(r.Frame)
	case "instance_uid":
		return SafeText(r.InstanceUID)
	case "series_uid":
		return SafeText(r.SeriesUID)
	case "study_uid":
		return SafeText(r.StudyUID)
	case "patient_key":
		return SafeText(r.PatientKey)
	case "study_date":
		return SafeText(r.StudyDate)
	case "side":
		return SafeText(string(r.Side))
	case "side_basis":
		return SafeText(string(r.SideBasis))
	case "view":
		return SafeText(string(r.View))
	case "view_basis":
		return SafeText(string(r.ViewBasis))
	case "status":
		return SafeText(string(r.Status))
	case "reasons":
		return SafeText(joinReasons(r.Reasons))
	case "pixel_mm":
		return positive(r.PixelMM, col.Digits)
	case "scale_basis":
		return SafeText(r.ScaleBasis)
	case "magnification":
		return positive(r.Magnification, col.Digits)
	case "level_origin":
		return SafeText(r.LevelOrigin)
	case "bow_plane":
		return SafeText(r.BowPlane)
	}
	if v, ok := r.Values[measure.Quantity(col.Name)]; ok {
		return decimal(v.X, col.Digits)
	}
	return SafeText(r.Texts[col.Name])
}

func joinReasons(codes []measure.Reason) string {
	s := make([]string, len(codes))
	for i, c := range codes {
		s[i] = string(c)
	}
	return strings.Join(s, ";")
}

// positive writes x, where 0 stands for not known.
func positive(x float64, digits int) string {
	if x <= 0 {
		return ""
	}
	return decimal(x, digits)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// decimal writes x with a fixed number of decimals, never as -0; text is empty
// where x is no finite number.
func decimal(x float64, digits int) string {
	if !finite(x) {
		return ""
	}
	s := strconv.FormatFloat(x, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// decimalUp writes an uncertainty with a fixed number of decimals, rounded up,
// so that the printed interval is no narrower than the computed one.
//
// Source: JCGM 100:2008, 7.2.6: it may be appropriate to round uncertainties
// up rather than to the nearest digit.
func decimalUp(u float64, digits int) string {
	if !finite(u) || u < 0 {
		return ""
	}
	scale := math.Pow10(digits)
	return decimal(math.Ceil(u*scale*(1-1e-12))/scale, digits)
}
