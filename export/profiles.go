package export

import (
	"fmt"
	"io"
	"math"

	"github.com/parquet-go/parquet-go"

	"shaftgauge/measure"
)

// profileRow is one row of the profiles: one femur's shaft at one level. Null
// means not measured there. Lateral and medial are filled on AP films, anterior
// and posterior on lateral ones, none where the view is not known.
type profileRow struct {
	Source string `parquet:"source,dict"`
	Frame  int32  `parquet:"frame"`
	Femur  int32  `parquet:"femur"` // from 1, in the order of the rows of measurements.csv
	Side   string `parquet:"side,dict"`
	View   string `parquet:"view,dict"`

	LevelMM         float64  `parquet:"level_mm"`
	LateralMM       *float64 `parquet:"lateral_cortex_mm,optional"`
	LateralU95MM    *float64 `parquet:"lateral_cortex_mm_u95,optional"`
	MedialMM        *float64 `parquet:"medial_cortex_mm,optional"`
	MedialU95MM     *float64 `parquet:"medial_cortex_mm_u95,optional"`
	AnteriorMM      *float64 `parquet:"anterior_cortex_mm,optional"`
	AnteriorU95MM   *float64 `parquet:"anterior_cortex_mm_u95,optional"`
	PosteriorMM     *float64 `parquet:"posterior_cortex_mm,optional"`
	PosteriorU95MM  *float64 `parquet:"posterior_cortex_mm_u95,optional"`
	OuterWidthMM    *float64 `parquet:"outer_width_mm,optional"`
	OuterWidthU95MM *float64 `parquet:"outer_width_mm_u95,optional"`
	CanalWidthMM    *float64 `parquet:"canal_width_mm,optional"`
	CanalWidthU95MM *float64 `parquet:"canal_width_mm_u95,optional"`
	OffsetMM        *float64 `parquet:"midline_offset_mm,optional"`
}

// ProfileTable is profiles.csv; its description fits the columns of
// profiles.parquet too, where each uncertainty is a column as well.
var ProfileTable = Table[profileRow]{
	Name:    "profiles.csv",
	Title:   "Femoral shaft profiles",
	About:   "One row a millimetre of each measured shaft. " + emptyCell + " " + forReview,
	columns: profileColumns(),
}

func profileColumns() []column[profileRow] {
	text := func(name, definition string, cell func(*profileRow) any) column[profileRow] {
		return column[profileRow]{Column: measure.Column{Name: name, Datatype: measure.String, Definition: definition}, cell: cell}
	}
	count := func(name, definition string, cell func(*profileRow) any) column[profileRow] {
		return column[profileRow]{Column: measure.Column{Name: name, Datatype: measure.Integer, Definition: definition}, required: name == "frame", cell: cell}
	}
	length := func(name, definition string, cell func(*profileRow) any) column[profileRow] {
		return column[profileRow]{Column: measure.Column{Name: name, Unit: "mm", Datatype: measure.Decimal, Digits: 2, Definition: definition}, cell: cell}
	}
	uncertain := func(name, definition string, of func(*profileRow) (x, u95 *float64)) column[profileRow] {
		c := length(name, definition, func(r *profileRow) any { return value(of(r)) })
		c.Uncertain = true
		return c
	}
	source := text("source", "path of the film relative to the input root", func(r *profileRow) any { return r.Source })
	source.required = true
	return []column[profileRow]{
		source,
		count("frame", "frame of the image, from 1", func(r *profileRow) any { return int(r.Frame) }),
		count("femur", "number of the femur on the frame, from 1, in the order of the rows of measurements.csv", func(r *profileRow) any { return int(r.Femur) }),
		text("side", "patient's side, R or L", func(r *profileRow) any { return r.Side }),
		text("view", "projection, AP or LAT", func(r *profileRow) any { return r.View }),
		length("level_mm", "level along the mid-diaphyseal line from the level origin, positive distally", func(r *profileRow) any { return r.LevelMM }),
		uncertain("lateral_cortex_mm", "thickness of the lateral cortex square to the mid-diaphyseal line (AP)", func(r *profileRow) (x, u95 *float64) { return r.LateralMM, r.LateralU95MM }),
		uncertain("medial_cortex_mm", "thickness of the medial cortex square to the mid-diaphyseal line (AP)", func(r *profileRow) (x, u95 *float64) { return r.MedialMM, r.MedialU95MM }),
		uncertain("anterior_cortex_mm", "thickness of the anterior cortex square to the mid-diaphyseal line (LAT)", func(r *profileRow) (x, u95 *float64) { return r.AnteriorMM, r.AnteriorU95MM }),
		uncertain("posterior_cortex_mm", "thickness of the posterior cortex square to the mid-diaphyseal line (LAT)", func(r *profileRow) (x, u95 *float64) { return r.PosteriorMM, r.PosteriorU95MM }),
		uncertain("outer_width_mm", "outer width of the shaft", func(r *profileRow) (x, u95 *float64) { return r.OuterWidthMM, r.OuterWidthU95MM }),
		uncertain("canal_width_mm", "width of the medullary canal", func(r *profileRow) (x, u95 *float64) { return r.CanalWidthMM, r.CanalWidthU95MM }),
		length("midline_offset_mm", "distance of the mid-diaphyseal line from the chord of its visible part, positive laterally (AP) or anteriorly (LAT)", func(r *profileRow) any { return value(r.OffsetMM, nil).X }),
	}
}

// value joins a number and its uncertainty; nil is NaN.
func value(x, u95 *float64) measure.Value {
	v := measure.Value{X: math.NaN(), U95: math.NaN()}
	if x != nil {
		v.X = *x
	}
	if u95 != nil {
		v.U95 = *u95
	}
	return v
}

// rowsPerGroup bounds the memory of a run: a row group is written when full.
const rowsPerGroup = 1 << 17

// Profiles writes the shaft profiles of many femurs, femur by femur, as Parquet
// or CSV.
type Profiles struct {
	parquet *parquet.GenericWriter[profileRow]
	csv     *Writer[profileRow]
	rows    []profileRow
}

// NewProfiles returns a writer of profiles.parquet: Snappy pages, row groups of
// at most 2^17 rows, the same bytes for the same femurs. Close it.
func NewProfiles(w io.Writer) *Profiles {
	return &Profiles{parquet: parquet.NewGenericWriter[profileRow](w,
		parquet.Compression(&parquet.Snappy),
		parquet.MaxRowsPerRowGroup(rowsPerGroup),
		parquet.CreatedBy("shaftgauge", "1", "0"))}
}

// NewProfilesCSV returns a writer of profiles.csv, in the form of
// measurements.csv. Close it.
func NewProfilesCSV(w io.Writer) (*Profiles, error) {
	c, err := ProfileTable.NewWriter(w)
	return &Profiles{csv: c}, err
}

// Write appends the profile of f, the n-th femur, from 1, on its frame.
func (p *Profiles) Write(f *measure.Femur, n int) error {
	p.rows = p.rows[:0]
	for i := range f.Profile {
		if !finite(f.Profile[i].LevelMM) {
			continue
		}
		p.rows = append(p.rows, newProfileRow(f, n, &f.Profile[i]))
	}
	var err error
	if p.parquet != nil {
		_, err = p.parquet.Write(p.rows)
	} else {
		for i := range p.rows {
			if err = p.csv.Write(&p.rows[i]); err != nil {
				break
			}
		}
	}
	if err != nil {
		return fmt.Errorf("export: profile of %q: %w", f.Record.Source, err)
	}
	return nil
}

// Close completes the file; the writer below stays open.
func (p *Profiles) Close() error {
	var err error
	if p.parquet != nil {
		err = p.parquet.Close()
	} else {
		err = p.csv.Flush()
	}
	if err != nil {
		return fmt.Errorf("export: profiles: %w", err)
	}
	return nil
}

func newProfileRow(f *measure.Femur, n int, q *measure.ProfileRow) profileRow {
	row := profileRow{
		Source: f.Record.Source, Frame: int32(f.Record.Frame), Femur: int32(n),
		Side: string(f.Record.Side), View: string(f.Record.View),
		LevelMM:  q.LevelMM,
		OffsetMM: some(q.MidlineOffsetMM),
	}
	row.OuterWidthMM, row.OuterWidthU95MM = pair(q.OuterWidthMM, q.OuterWidthU95MM)
	row.CanalWidthMM, row.CanalWidthU95MM = pair(q.CanalWidthMM, q.CanalWidthU95MM)
	switch f.Record.View {
	case measure.AP:
		row.LateralMM, row.LateralU95MM = pair(q.PositiveCortexMM, q.PositiveCortexU95MM)
		row.MedialMM, row.MedialU95MM = pair(q.NegativeCortexMM, q.NegativeCortexU95MM)
	case measure.Lateral:
		row.AnteriorMM, row.AnteriorU95MM = pair(q.PositiveCortexMM, q.PositiveCortexU95MM)
		row.PosteriorMM, row.PosteriorU95MM = pair(q.NegativeCortexMM, q.NegativeCortexU95MM)
	}
	return row
}

// pair returns a value with its uncertainty, neither where there is no value.
func pair(x, u95 float64) (px, pu *float64) {
	if px = some(x); px != nil {
		pu = some(u95)
	}
	return px, pu
}

func some(x float64) *float64 {
	if !finite(x) {
		return nil
	}
	return &x
}
