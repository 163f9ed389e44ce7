package measure

import (
	"os"
	"strings"
	"testing"
)

// testdata/columns.txt is the order of columns laid down before the program
// was written.
func TestColumnsInOrder(t *testing.T) {
	data, err := os.ReadFile("testdata/columns.txt")
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(string(data))
	if len(want) != len(Columns) {
		t.Errorf("%d columns, want %d", len(Columns), len(want))
	}
	for i := range min(len(want), len(Columns)) {
		if Columns[i].Name != want[i] {
			t.Fatalf("column %d is %s, want %s", i, Columns[i].Name, want[i])
		}
	}
}

func TestColumnsAreDescribed(t *testing.T) {
	definitions := map[string]bool{}
	for _, c := range Columns {
		if definitions[c.Definition] {
			t.Errorf("%s: definition used twice", c.Name)
		}
		definitions[c.Definition] = true
		if !strings.HasSuffix(c.Definition, ".") {
			t.Errorf("%s: definition is no sentence: %q", c.Name, c.Definition)
		}
		if (c.Datatype == String) != (c.Unit == "") {
			t.Errorf("%s: datatype %s with unit %q", c.Name, c.Datatype, c.Unit)
		}
		if c.Uncertain && c.Datatype != Decimal {
			t.Errorf("%s: an uncertain %s", c.Name, c.Datatype)
		}
		if (c.Digits > 0) != (c.Datatype == Decimal) {
			t.Errorf("%s: %d digits of a %s", c.Name, c.Digits, c.Datatype)
		}
		for suffix, unit := range map[string]string{"_mm": "mm", "_deg": "deg", "_per_m": "m-1"} {
			if strings.HasSuffix(c.Name, suffix) && c.Unit != unit {
				t.Errorf("%s has unit %s", c.Name, c.Unit)
			}
		}
	}
}

// Everything that Measure sets is a column with an uncertainty.
func TestMeasuredQuantitiesAreColumns(t *testing.T) {
	uncertain := map[Quantity]bool{}
	for _, c := range Columns {
		uncertain[Quantity(c.Name)] = c.Uncertain
	}
	for _, view := range []View{AP, Lateral} {
		r := waistedRecord(t, view)
		if len(r.Values) < 30 {
			t.Errorf("%s: only %d values", view, len(r.Values))
		}
		for q := range r.Values {
			if !uncertain[q] {
				t.Errorf("%s is no column with an uncertainty", q)
			}
		}
	}
}
