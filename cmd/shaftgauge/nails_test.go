package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
)

const nailHeader = "name,radius_mm,length_mm,distal_diameter_mm\n"

func TestParseNails(t *testing.T) {
	got, err := parseNails(strings.NewReader("\ufeff" + nailHeader + "\"long, curved\",1500,240,10.5\r\nstraight,1e6,200,9\n"))
	want := []measure.Nail{{Name: "long, curved", RadiusMM: 1500, LengthMM: 240, DistalDiameterMM: 10.5},
		{Name: "straight", RadiusMM: 1e6, LengthMM: 200, DistalDiameterMM: 9}}
	if err != nil || len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestStrictNails(t *testing.T) {
	many := nailHeader
	for i := range mostNails + 1 {
		many += fmt.Sprintf("n%d,1500,240,10\n", i)
	}
	for name, c := range map[string][2]string{
		"empty":            {"", "header"},
		"no nail":          {nailHeader, "no nail"},
		"other columns":    {"name,radius,length,diameter\na,1500,240,10\n", "line 1"},
		"columns swapped":  {"name,length_mm,radius_mm,distal_diameter_mm\na,240,1500,10\n", "line 1"},
		"short row":        {nailHeader + "a,1500,240\n", "line 2"},
		"no number":        {nailHeader + "a,1500,240,10\nb,1.5 m,240,10\n", "line 3"},
		"comma":            {nailHeader + "a,\"1500,5\",240,10\n", "line 2"},
		"not finite":       {nailHeader + "a,NaN,240,10\n", "line 2"},
		"negative":         {nailHeader + "a,-1500,240,10\n", "line 2"},
		"radius in metres": {nailHeader + "a,1.5,240,10\n", "radius_mm"},
		"no name":          {nailHeader + ",1500,240,10\n", "line 2"},
		"same name":        {nailHeader + "a,1500,240,10\na,1200,240,10\n", "twice"},
		"broken quotes":    {nailHeader + "\"a,1500,240,10\n", "line 2"},
		"control character": {
			nailHeader + "a\x00,1500,240,10\n", "printable"},
		"not UTF-8": {nailHeader + "a\xff,1500,240,10\n", "printable"},
		"too many":  {many, "more than"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "nails.csv")
			if err := os.WriteFile(path, []byte(c[0]), 0o644); err != nil {
				t.Fatal(err)
			}
			_, err := readNails(path)
			var wrong usageError
			if !errors.As(err, &wrong) || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), c[1]) {
				t.Errorf("error %v, want a usage error with the file and %q", err, c[1])
			}
		})
	}
	if _, err := readNails(filepath.Join(t.TempDir(), "none.csv")); err == nil {
		t.Error("read a list that is not there")
	}
}

// The demo's list is one that measure takes.
func TestDemoNails(t *testing.T) {
	nails, err := readNails("../../testdata/demo/nails.csv")
	if err != nil || len(nails) < 3 {
		t.Errorf("%d nails, %v", len(nails), err)
	}
}
