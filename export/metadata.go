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

// MetadataSuffix follows a table's name in that of its description (Model for
// Tabular Data and Metadata on the Web, 17 December 2015, section 5.3).
const MetadataSuffix = "-metadata.json"

// WriteMetadata writes the CSV on the Web description of the table, with the
// sentence of every code under "notes".
func (t *Table[T]) WriteMetadata(w io.Writer) error {
	m := &tableMetadata{
		Context: []any{"http://www.w3.org/ns/csvw", map[string]string{"@language": "en"}},
		URL:     t.Name, Title: t.Title, Description: t.About,
		Dialect: dialect{"utf-8", []string{"\r\n"}, ",", `"`, true, true},
	}
	for _, col := range t.columns {
		m.TableSchema.Columns = append(m.TableSchema.Columns, describe(col.Column, col.required, col.separator))
		if col.Uncertain {
			m.TableSchema.Columns = append(m.TableSchema.Columns, describeU95(col.Column))
		}
	}
	for _, r := range t.Notes {
		m.Notes = append(m.Notes, conceptMetadata{"skos:Concept", string(r.Code), r.Sentence})
	}
	return WriteJSON(w, m)
}

func describe(col measure.Column, required bool, separator string) columnMetadata {
	m := columnMetadata{
		Name: col.Name, Titles: col.Name, Description: col.Definition,
		Datatype: datatype{Base: string(col.Datatype)}, UCUM: col.Unit,
		Required: required, Separator: separator,
	}
	if col.Datatype == measure.Decimal {
		m.Datatype.Format = pattern(col.Digits)
	}
	return m
}

func describeU95(col measure.Column) columnMetadata {
	m := describe(col, false, "")
	m.Name, m.Titles = col.Name+u95Suffix, col.Name+u95Suffix
	m.Description = "expanded uncertainty of " + col.Name + ", coverage about 95 %"
	m.Datatype = datatype{Base: string(measure.Decimal), Format: pattern(col.Digits), Minimum: "0"}
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
