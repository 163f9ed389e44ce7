package export

import (
	"bytes"
	"iter"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// bothSides are the two femurs of a study and the right one a year later. Values
// are invented.
func bothSides() []measure.Femur {
	femur := func(source, study, date string, side measure.Side, neck, lateral, count float64) measure.Femur {
		r := measure.Record{Source: source, Frame: 1, InstanceUID: "2.25.1", StudyUID: study, PatientKey: "9f3c", StudyDate: date,
			Side: side, View: measure.AP, Status: measure.StatusMeasured, ScaleBasis: "calibrated", LevelOrigin: "lesser_trochanter"}
		r.Set(measure.VisibleFrom, 20, 1)
		r.Set(measure.VisibleTo, 240, 2)
		r.Set(measure.NeckShaftAngle, neck, 1.5)
		r.Set(measure.CortexAt(measure.AP, true, 100), lateral, 0.3)
		r.Set(measure.FocalCount, count, 0)
		return measure.Femur{Record: r}
	}
	right := femur("harrow-vale/0007/right", "2.25.3", "20240229", measure.Right, 131.25, 8.4, 2)
	left := femur("harrow-vale/0007/left", "2.25.3", "20240229", measure.Left, 125.125, 8.25, 1)
	later := femur("=later", "2.25.4", "20250301", measure.Right, 130.5, 8.95, 0)
	right.Focal = []measure.Focal{
		{Level: measure.Value{X: 92.25, U95: 1.2}, Height: measure.Value{X: 1.8, U95: 0.25}, Length: measure.Value{X: 21, U95: 2.5}, OuterShare: measure.Value{X: 0.85, U95: 0.151},
			Surface: "periosteal", SNR: 9.27, Line: measure.LucentLine{State: "seen", Depth: measure.Value{X: 0.6, U95: 0.1}, Angle: measure.Value{X: -4.75, U95: 2.1}, Contrast: 6.1, FloorMM: 0.48}},
		{Level: measure.Value{X: 150, U95: 1.5}, Height: measure.Value{X: 0.9, U95: 0.3}, Length: measure.Value{X: 14, U95: 3}, OuterShare: measure.Value{X: 0.5, U95: 0.3},
			Surface: "both", SNR: 4, Line: measure.LucentLine{State: "not_assessable"}},
	}
	left.Focal = []measure.Focal{{Level: measure.Value{X: 80, U95: 1.6}, Height: measure.Value{X: 1, U95: 0.3}, Length: measure.Value{X: 18, U95: 2}, OuterShare: measure.Value{X: 1, U95: 0.2},
		Surface: "periosteal", SNR: 5, Line: measure.LucentLine{State: "not_seen", FloorMM: 0.5}}}
	later.Nails = []measure.NailFit{{Name: "arc 1500", TipGap: measure.Value{X: -0.4, U95: 0.85}}, {Name: "-cmd", TipGap: measure.Value{X: 3.2, U95: 0.9}}}
	return []measure.Femur{right, left, later}
}

// checkWritten writes a table and its description, compares the rows with a
// golden file and every cell with the description.
func checkWritten[T any](t *testing.T, table *Table[T], rows iter.Seq[T]) {
	t.Helper()
	var b bytes.Buffer
	if err := table.WriteRows(&b, rows); err != nil {
		t.Fatal(err)
	}
	golden(t, table.Name, b.Bytes())
	m := parsed(t, table.WriteMetadata)
	checkTable(t, m, b.Bytes())
	if m["url"] != table.Name {
		t.Errorf("url %v", m["url"])
	}
	for _, col := range table.columns {
		if col.Unit != "" && !slices.Contains([]string{"mm", "deg", "m-1", "1", "d"}, col.Unit) { // UCUM, case sensitive
			t.Errorf("%s: unit %q", col.Name, col.Unit)
		}
	}
	// Without rows the header stands alone.
	b.Reset()
	if err := table.WriteRows(&b, func(func(T) bool) {}); err != nil || strings.Count(b.String(), "\r\n") != 1 {
		t.Errorf("no rows: %q %v", b.String(), err)
	}
}

func TestPairs(t *testing.T) {
	femurs := bothSides()
	checkWritten(t, &Pairs, PairRows(measure.Pairs(femurs), femurs))
}

func TestFocals(t *testing.T) { checkWritten(t, &Focals, FocalRows(bothSides())) }

func TestNails(t *testing.T) { checkWritten(t, &Nails, NailRows(bothSides())) }

// The codes that the reasons column of pairs.csv may hold are in its description.
func TestPairReasonsAreDescribed(t *testing.T) {
	notes := parsed(t, Pairs.WriteMetadata)["notes"].([]any)
	if len(notes) != len(measure.PairReasons) {
		t.Errorf("%d of %d codes", len(notes), len(measure.PairReasons))
	}
}
