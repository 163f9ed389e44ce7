package dicom

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// pydicomWalk lists what pydicom finds in objects: every code, with the
// meanings that its dictionary of PS3.16 knows for it, the coordinates, and the
// instances referred to.
const pydicomWalk = `
import sys, json, pydicom
from pydicom.sr._concepts_dict import concepts
codes, regions, references = {}, [], []
def known(scheme, value):
    return sorted({m for k, v in concepts.get(scheme, {}).items() for c, (m, _) in v.items() if c == value})
def walk(d):
    if "CodeValue" in d:
        key = d.CodingSchemeDesignator + " " + d.CodeValue
        codes[key] = [d.CodeMeaning, known(d.CodingSchemeDesignator, d.CodeValue)]
    if "GraphicData" in d:
        regions.append([d.GraphicType, [float(x) for x in d.GraphicData]])
    if "ReferencedSOPInstanceUID" in d:
        references.append([d.ReferencedSOPInstanceUID, d.ReferencedSOPClassUID, int(d.get("ReferencedFrameNumber", 0) or 0)])
    for e in d:
        if e.VR == "SQ":
            for i in e.value:
                walk(i)
d = pydicom.dcmread(sys.argv[1])
walk(d)
print(json.dumps({"codes": codes, "regions": regions, "references": references}))
`

type walked struct {
	Codes      map[string][2]any
	Regions    [][2]any
	References [][3]any
}

func pydicom(t *testing.T, path string) (w walked) {
	t.Helper()
	if exec.Command("/usr/bin/python3", "-c", "import pydicom").Run() != nil {
		t.Skip("python3-pydicom is not installed")
	}
	var stderr bytes.Buffer
	cmd := exec.Command("/usr/bin/python3", "-c", pydicomWalk, path)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("pydicom: %v\n%s", err, stderr.Bytes())
	}
	if err := json.Unmarshal(out, &w); err != nil {
		t.Fatal(err)
	}
	return w
}

// Every standard code has the meaning that pydicom's dictionary, made from
// PS3.16, gives it.
func TestCodes(t *testing.T) {
	all := films()
	f := all["reviewed"]
	f.Femurs = append(f.Femurs, all["lateral"].Femurs...)
	f.Femurs[2].Record.Reasons = []measure.Reason{measure.BowNotResolved}
	delete(f.Femurs[2].Record.Values, measure.BowRadius)
	newer := map[string]string{ // codes of PS3.16 that Debian 12's pydicom 2.3.1 does not have yet
		"DCM 121223": "Arm of angle",
	}
	codes := pydicom(t, writeReport(t, f)).Codes
	if len(codes) < 60 {
		t.Errorf("only %d codes", len(codes))
	}
	for key, c := range codes {
		meaning := c[0].(string)
		var known []string
		for _, k := range c[1].([]any) {
			known = append(known, strings.ToLower(k.(string)))
		}
		scheme, value, _ := strings.Cut(key, " ")
		switch scheme {
		case Scheme:
			if len(value) > 16 || len(meaning) > 64 {
				t.Errorf("%s, %q: too long for SH or LO", key, meaning)
			}
		case "UCUM", "RFC5646":
		default:
			if !slices.Contains(known, strings.ToLower(meaning)) && newer[key] != meaning {
				t.Errorf("%s means %q, dictionary says %q", key, meaning, known)
			}
		}
	}
}

// Coordinates count from the outer corner of the first pixel, half a pixel more
// than the geometry's, and lie on the image; references are to it alone, and
// to the frame where it has several.
func TestCoordinates(t *testing.T) {
	for _, name := range []string{"AP", "second frame"} {
		f := films()[name]
		g := f.Femurs[0].Geometry
		for kind, path := range map[string]string{
			"report":             writeReport(t, f),
			"presentation state": write(t, func(b *bytes.Buffer) (string, error) { return WritePresentation(b, f, program) }),
		} {
			t.Run(name+" "+kind, func(t *testing.T) {
				w := pydicom(t, path)
				var seen []string
				for _, r := range w.Regions {
					xy := r[1].([]any)
					seen = append(seen, fmt.Sprintf("%s %.3f %.3f", r[0], xy[0], xy[1]))
					for i, c := range xy {
						if c := c.(float64); c < 0 || c > []float64{2000, 3000}[i%2] {
							t.Fatalf("%s: coordinate %g is off the image", r[0], c)
						}
					}
				}
				for _, want := range []string{
					fmt.Sprintf("POLYLINE %.3f %.3f", g.Midline[0].X+0.5, g.Midline[0].Y+0.5),
					"CIRCLE 1300.500 200.500",
					"POINT 1080.500 500.500",
					"POLYLINE 890.500 740.500",  // at 30 mm
					"POLYLINE 890.500 800.500",  // first focal thickening
					"POLYLINE 895.500 1200.500", // second
				} {
					if !slices.Contains(seen, want) {
						t.Errorf("no %s", want)
					}
				}
				frame := 0.0
				for _, r := range w.References {
					if r[0] != f.Header.InstanceUID || r[1] != f.Header.ClassUID {
						t.Errorf("refers to %v", r)
					}
					frame = max(frame, r[2].(float64))
				}
				want := 0.0
				if f.Header.Frames > 1 {
					want = float64(f.Femurs[0].Record.Frame)
				}
				if frame != want {
					t.Errorf("frame %g, want %g", frame, want)
				}
			})
		}
	}
}
