package export

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"regexp"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// The rules below are those of two W3C Recommendations of 17 December 2015:
// "Metadata Vocabulary for Tabular Data" (MV) and "Model for Tabular Data and
// Metadata on the Web" (TM). Sections are named beside each.

// inherited are the inherited properties (MV 5.7).
var inherited = []string{"aboutUrl", "datatype", "default", "lang", "null", "ordered", "propertyUrl", "required", "separator", "textDirection", "valueUrl"}

// builtIn are built-in datatypes (MV 5.11.1) that the files use or may use.
var builtIn = []string{"string", "integer", "nonNegativeInteger", "decimal", "double", "number", "boolean", "date"}

// prefixes are those of the RDFa initial context that the files use (MV 5.8,
// MV annex C).
var prefixes = []string{"dc:", "schema:", "skos:"}

func checkKeys(t *testing.T, where string, o map[string]any, allowed ...string) {
	t.Helper()
	for key := range o {
		common := strings.HasPrefix(key, "http://") || slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(key, p) })
		if !common && !slices.Contains(allowed, key) {
			t.Errorf("%s: property %s is not allowed here", where, key)
		}
	}
}

// checkTable checks the description m of the CSV file data, and every cell of
// data against it.
func checkTable(t *testing.T, m map[string]any, data []byte) {
	t.Helper()
	// MV 5.2: the context is the address, or an array of it and an object with @base or @language.
	context, ok := m["@context"].([]any)
	if !ok || len(context) != 2 || context[0] != "http://www.w3.org/ns/csvw" {
		t.Fatalf("@context %v", m["@context"])
	}
	for key := range context[1].(map[string]any) {
		if key != "@language" && key != "@base" {
			t.Errorf("@context has %s", key)
		}
	}
	// MV 5.4: url is required.
	if url, _ := m["url"].(string); url == "" {
		t.Error("no url")
	}
	checkKeys(t, "table", m, "@context", "@id", "@type", "url", "dialect", "notes", "suppressOutput", "tableDirection", "tableSchema", "transformations")
	// MV 5.9
	dialect := m["dialect"].(map[string]any)
	checkKeys(t, "dialect", dialect, "commentPrefix", "delimiter", "doubleQuote", "encoding", "header", "headerRowCount", "lineTerminators", "quoteChar", "skipBlankRows", "skipColumns", "skipInitialSpace", "skipRows", "trim")
	if dialect["encoding"] != "utf-8" || dialect["header"] != true || dialect["delimiter"] != "," {
		t.Errorf("dialect %v is not the file's", dialect)
	}
	// MV 5.5
	schema := m["tableSchema"].(map[string]any)
	checkKeys(t, "schema", schema, append(inherited, "@id", "@type", "columns", "foreignKeys", "primaryKey", "rowTitles")...)
	if schema["null"] != "" {
		t.Errorf("null is %v, want the empty cell", schema["null"])
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	columns := schema["columns"].([]any)
	if len(columns) != len(rows[0]) {
		t.Fatalf("%d columns described, %d in the file", len(columns), len(rows[0]))
	}
	// MV 5.6: a name is an RFC 6570 variable name that does not begin with '_'.
	variable := regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_]*$`)
	seen := map[string]bool{}
	for i, c := range columns {
		c := c.(map[string]any)
		name, _ := c["name"].(string)
		checkKeys(t, "column "+name, c, append(inherited, "@id", "@type", "name", "suppressOutput", "titles", "virtual")...)
		if !variable.MatchString(name) || seen[name] {
			t.Errorf("column %d: name %q", i, name)
		}
		seen[name] = true
		// MV 5.5.1: the titles are the header's, in order.
		if c["titles"] != rows[0][i] {
			t.Errorf("column %d: title %v, header %q", i, c["titles"], rows[0][i])
		}
		if d, _ := c["dc:description"].(string); d == "" {
			t.Errorf("column %s has no definition", name)
		}
		// MV 5.11.2: a derived datatype has a built-in base.
		d, ok := c["datatype"].(map[string]any)
		if !ok {
			t.Errorf("column %s has no datatype", name)
			continue
		}
		checkKeys(t, "datatype of "+name, d, "@id", "@type", "base", "format", "length", "minLength", "maxLength", "minimum", "maximum", "minInclusive", "maxInclusive", "minExclusive", "maxExclusive")
		if base, _ := d["base"].(string); !slices.Contains(builtIn, base) {
			t.Errorf("column %s has datatype %v", name, d["base"])
		}
		for _, row := range rows[1:] {
			checkCell(t, name, c, d, row[i])
		}
	}
}

// checkCell checks a cell by TM 6.4, "Parsing Cells".
func checkCell(t *testing.T, name string, c, d map[string]any, cell string) {
	t.Helper()
	if cell == "" { // the null value
		if c["required"] == true {
			t.Errorf("required cell of %s is empty", name)
		}
		return
	}
	format, _ := d["format"].(string)
	switch d["base"] {
	case "decimal": // TM 6.4.2
		if !regexp.MustCompile(`^0(\.0+)?$`).MatchString(format) {
			t.Errorf("format %q of %s is no number pattern", format, name)
		}
		decimals := len(strings.TrimPrefix(strings.TrimPrefix(format, "0"), "."))
		number := regexp.MustCompile(`^-?[0-9]+$`)
		whole, part, _ := strings.Cut(cell, ".")
		if !number.MatchString(whole) || len(part) != decimals || strings.Contains(part, "-") {
			t.Errorf("%s = %q does not follow %s", name, cell, format)
		}
	case "integer", "nonNegativeInteger":
		if !regexp.MustCompile(`^-?[0-9]+$`).MatchString(cell) {
			t.Errorf("%s = %q is no integer", name, cell)
		}
	}
}

func parsed(t *testing.T, write func(io.Writer) error) map[string]any {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b.Bytes(), &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func TestWriteMetadata(t *testing.T) {
	var data bytes.Buffer
	if err := Measurements.WriteRows(&data, slices.Values(records())); err != nil {
		t.Fatal(err)
	}
	m := parsed(t, Measurements.WriteMetadata)
	checkTable(t, m, data.Bytes())

	notes := m["notes"].([]any)
	if len(notes) != len(measure.Reasons) || len(notes) == 0 {
		t.Errorf("%d of %d reason codes", len(notes), len(measure.Reasons))
	}
	for _, n := range notes {
		n := n.(map[string]any)
		checkKeys(t, "note", n, "@type", "@id") // MV 5.8: common properties inside notes as well
		if s, _ := n["skos:definition"].(string); s == "" {
			t.Errorf("reason %v has no sentence", n["skos:notation"])
		}
	}
	for _, col := range measure.Columns {
		// UCUM, case sensitive: mm, deg, m-1 (per metre), 1.
		if col.Unit != "" && !slices.Contains([]string{"mm", "deg", "m-1", "1"}, col.Unit) {
			t.Errorf("%s: unit %q is no UCUM code", col.Name, col.Unit)
		}
		if col.Uncertain && col.Datatype != measure.Decimal {
			t.Errorf("%s is uncertain and of datatype %q", col.Name, col.Datatype)
		}
	}
}

func TestWriteProfilesMetadata(t *testing.T) {
	var data bytes.Buffer
	p, err := NewProfilesCSV(&data)
	if err != nil {
		t.Fatal(err)
	}
	writeProfiles(t, p)
	checkTable(t, parsed(t, ProfileTable.WriteMetadata), data.Bytes())
}
