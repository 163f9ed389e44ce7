package export

import (
	"io"
	"strings"

	"shaftgauge/measure"
)

// tableMetadata is a table description of the W3C Recommendation "Metadata
// Vocabulary for Tabular Data" (17 December 2015), sections 5.4 to 5.6. Keys
// with a prefix or an address are common properties (section 5.8).
type tableMetadata struct {
	Context     []any             `json:"@context"`
	URL         string            `json:"url"`
	Title       string            `json:"dc:title"`
	Description string            `json:"dc:description"`
	Dialect     dialect           `json:"dialect"`
	TableSchema tableSchema       `json:"tableSchema"`
	Notes       []conceptMetadata `json:"notes,omitempty"`
}

// dialect says how the file is written (section 5.9): RFC 4180.
type dialect struct {
	Encoding        string   `json:"encoding"`
	LineTerminators []string `json:"lineTerminators"`
	Delimiter       string   `json:"delimiter"`
	QuoteChar       string   `json:"quoteChar"`
	DoubleQuote     bool     `json:"doubleQuote"`
	Header          bool     `json:"header"`
}

type tableSchema struct {
	Null    string           `json:"null"` // inherited by every column: the cell that means not measured
	Columns []columnMetadata `json:"columns"`
}

// columnMetadata describes a column. Its unit is a code of the Unified Code for
// Units of Measure under the property that the QUDT vocabulary has for it.
type columnMetadata struct {
	Name        string   `json:"name"`
	Titles      string   `json:"titles"`
	Description string   `json:"dc:description"`
	Datatype    datatype `json:"datatype"`
	Separator   string   `json:"separator,omitempty"`
	Required    bool     `json:"required,omitempty"`
	UCUM        string   `json:"http://qudt.org/schema/qudt/ucumCode,omitempty"`
}

type datatype struct {
	Base    string `json:"base"`
	Format  string `json:"format,omitempty"`
	Minimum string `json:"minimum,omitempty"`
}

// conceptMetadata is a reason code with its sentence.
type conceptMetadata struct {
	Type       string `json:"@type"`
	Notation   string `json:"skos:notation"`
	Definition string `json:"skos:definition"`
}

// WriteMetadata writes the CSV on the Web description of measurements.csv,
// with the sentence of every reason code under "notes". The name under which
// a reader looks for it is measurements.csv-metadata.json.
func WriteMetadata(w io.Writer) error {
	m := newTable("measurements.csv", measure.Columns)
	m.Title = "Femur radiograph measurements"
	m.Description = "One row a femur an image. An empty cell was not measured, and the reasons column says why. " +
		"A column X_u95 is the expanded uncertainty of column X, coverage about 95 % (JCGM 100:2008). " +
		"An apostrophe before = + - @ or a control character in a text cell was put there so that no spreadsheet takes it for a formula. " +
		"There is no primary key: two femurs on one image share source and frame, and are told apart by side where it is known. " +
		"Measurements for human review; not a diagnosis."
	for _, r := range measure.Reasons {
		m.Notes = append(m.Notes, conceptMetadata{"skos:Concept", string(r.Code), r.Sentence})
	}
	return WriteJSON(w, m)
}

// WriteProfilesMetadata writes the description of profiles.csv, to be named
// profiles.csv-metadata.json. It describes the columns of profiles.parquet too.
func WriteProfilesMetadata(w io.Writer) error {
	m := newTable("profiles.csv", ProfileColumns)
	m.Title = "Femoral shaft profiles"
	m.Description = "One row a millimetre of each measured shaft. An empty cell was not measured. " +
		"Measurements for human review; not a diagnosis."
	return WriteJSON(w, m)
}

func newTable(url string, cols []measure.Column) *tableMetadata {
	m := &tableMetadata{
		Context: []any{"http://www.w3.org/ns/csvw", map[string]string{"@language": "en"}},
		URL:     url,
		Dialect: dialect{"utf-8", []string{"\r\n"}, ",", `"`, true, true},
	}
	for _, col := range cols {
		m.TableSchema.Columns = append(m.TableSchema.Columns, describe(col))
		if col.Uncertain {
			m.TableSchema.Columns = append(m.TableSchema.Columns, describeU95(col))
		}
	}
	return m
}

func describe(col measure.Column) columnMetadata {
	m := columnMetadata{
		Name: col.Name, Titles: col.Name, Description: col.Definition,
		Datatype: datatype{Base: string(col.Datatype)}, UCUM: col.Unit,
	}
	if col.Datatype == measure.Decimal {
		m.Datatype.Format = pattern(col.Digits)
	}
	switch col.Name {
	case "source", "frame", "status":
		m.Required = true
	case "reasons", "review_reasons":
		m.Separator = ";"
	}
	return m
}

func describeU95(col measure.Column) columnMetadata {
	m := describe(col)
	m.Name, m.Titles = col.Name+u95Suffix, col.Name+u95Suffix
	m.Description = "expanded uncertainty of " + col.Name + ", coverage about 95 %"
	m.Datatype = datatype{Base: string(measure.Decimal), Format: pattern(col.Digits), Minimum: "0"}
	m.Required, m.Separator = false, ""
	return m
}

// pattern is the number format of fixed decimals (W3C Model for Tabular Data,
// section 6.4.2, after UTS #35).
func pattern(digits int) string {
	if digits == 0 {
		return "0"
	}
	return "0." + strings.Repeat("0", digits)
}
