package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

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

// ProfileColumns are the columns of profiles.csv, in order. Those of
// profiles.parquet have the same names; there each uncertainty is a column too.
var ProfileColumns = []measure.Column{
	{Name: "source", Datatype: measure.String, Definition: "path of the film relative to the input root"},
	{Name: "frame", Datatype: measure.Integer, Definition: "frame of the image, from 1"},
	{Name: "femur", Datatype: measure.Integer, Definition: "number of the femur on the frame, from 1, in the order of the rows of measurements.csv"},
	{Name: "side", Datatype: measure.String, Definition: "patient's side, R or L"},
	{Name: "view", Datatype: measure.String, Definition: "projection, AP or LAT"},
	{Name: "level_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Definition: "level along the mid-diaphyseal line from the level origin, positive distally"},
	{Name: "lateral_cortex_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "thickness of the lateral cortex square to the mid-diaphyseal line (AP)"},
	{Name: "medial_cortex_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "thickness of the medial cortex square to the mid-diaphyseal line (AP)"},
	{Name: "anterior_cortex_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "thickness of the anterior cortex square to the mid-diaphyseal line (LAT)"},
	{Name: "posterior_cortex_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "thickness of the posterior cortex square to the mid-diaphyseal line (LAT)"},
	{Name: "outer_width_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "outer width of the shaft"},
	{Name: "canal_width_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Uncertain: true, Definition: "width of the medullary canal"},
	{Name: "midline_offset_mm", Unit: "mm", Datatype: measure.Decimal, Digits: 2, Definition: "distance of the mid-diaphyseal line from the chord of its visible part, positive laterally (AP) or anteriorly (LAT)"},
}

// rowsPerGroup bounds the memory of a run: a row group is written when full.
const rowsPerGroup = 1 << 17

// Profiles writes the shaft profiles of many femurs, femur by femur, as Parquet
// or CSV.
type Profiles struct {
	parquet *parquet.GenericWriter[profileRow]
	csv     *csv.Writer
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
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(header(ProfileColumns)); err != nil {
		return nil, fmt.Errorf("export: profiles: %w", err)
	}
	return &Profiles{csv: c}, nil
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
			if err = p.csv.Write(p.rows[i].cells()); err != nil {
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
		p.csv.Flush()
		err = p.csv.Error()
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

// cells returns the row in the order of [ProfileColumns].
func (r *profileRow) cells() []string {
	out := []string{
		SafeText(r.Source), strconv.Itoa(int(r.Frame)), strconv.Itoa(int(r.Femur)),
		SafeText(r.Side), SafeText(r.View), decimal(r.LevelMM, 2),
	}
	for _, v := range [...][2]*float64{
		{r.LateralMM, r.LateralU95MM}, {r.MedialMM, r.MedialU95MM},
		{r.AnteriorMM, r.AnteriorU95MM}, {r.PosteriorMM, r.PosteriorU95MM},
		{r.OuterWidthMM, r.OuterWidthU95MM}, {r.CanalWidthMM, r.CanalWidthU95MM},
	} {
		x, u := "", ""
		if v[0] != nil {
			x = decimal(*v[0], 2)
		}
		if v[1] != nil {
			u = decimalUp(*v[1], 2)
		}
		out = append(out, x, u)
	}
	offset := ""
	if r.OffsetMM != nil {
		offset = decimal(*r.OffsetMM, 2)
	}
	return append(out, offset)
}
