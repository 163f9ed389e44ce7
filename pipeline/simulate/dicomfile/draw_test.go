package dicomfile

import (
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"shaftgauge/pipeline/simulate"
)

// The headers that the simulator draws have no error for dciodvfy but the
// absence of the facts that a film was drawn without.
func TestValidatorOnDrawnHeaders(t *testing.T) {
	needTool(t, "dciodvfy")
	for i, group := range simulate.Groups() {
		for n := range 6 {
			s := simulate.Draw(rand.New(rand.NewPCG(uint64(n), uint64(i))), group)
			rf := s.Facts.Object == simulate.Fluoroscopy
			if rf && (s.Style.Inverted || s.Style.Bits == 14) {
				continue // its IOD has MONOCHROME2 and 8, 10, 12 or 16 bits only
			}
			f := testFilm(s.Facts.Object, s.Style.Bits, 20, 30)
			f.Monochrome1 = s.Style.Inverted
			f.Facts = s.Facts
			out, _ := exec.Command("dciodvfy", mustWrite(t, f, ExplicitLittleEndian, Options{})).CombinedOutput()
			for line := range strings.Lines(string(out)) {
				absent := f.Facts.ImageLaterality == "" && strings.Contains(line, "Laterality>") ||
					f.Facts.PatientOrientation[0] == "" && strings.Contains(line, "<PatientOrientation>")
				if strings.HasPrefix(line, "Error") && !absent {
					t.Errorf("%s %d: %s", group, n, line)
				}
			}
		}
	}
}
