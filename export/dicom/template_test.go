package dicom

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// toolkit is the class path of Debian's libpixelmed-java.
var toolkit = []string{"/usr/share/java/pixelmed.jar", "/usr/share/java/commons-codec.jar", "/usr/share/java/vecmath.jar", "/usr/share/java/hsqldb.jar"}

// What the toolkit's checker takes for an error and is none.
var (
	// It compares every NUM below a NUM with rows 9 and 10 of TID 300, and every
	// CODE with row 2, also those that row 8 includes by HAS PROPERTIES
	// (TID 310, rows 5 and 6).
	anyRow = regexp.MustCompile(`^Error: Template 300 Measurement/\[Row 1\] NUM \*/\[Row (9|10)\] NUM \*: .*/NUM \(371884006,SCT,"[^"]*"\): Incorrect relationship - expected INFERRED FROM - found HAS PROPERTIES$` +
		`|^Error: Template 300 Measurement/\[Row 1\] NUM \*/\[Row 2\] CODE \*: .*/CODE \(121404,DCM,"Selection Status"\): Incorrect relationship - expected HAS CONCEPT MOD - found HAS PROPERTIES$`)
	// It does not know that a NUM may be empty (PS3.3 C.18.1: Measured Value
	// Sequence of type 2, Numeric Value Qualifier).
	emptyValue = regexp.MustCompile(`^Error: Template 300 Measurement/\[Row 1\] NUM \*: .*: Missing value$`)
	// TID 300 and 1501 are extensible; the toolkit's TID 1501 is older than its
	// qualitative evaluations in words. These are ours.
	extension = regexp.MustCompile(`/TEXT \((121106,DCM|[A-Z_]+,99SHAFTGAUGE),"[^"]*"\): Content Item not in template$`)
)

// A report with numbers, refused ones, corrected ones, a second group and a
// reviewer follows TID 1500 by the template checker of the PixelMed toolkit.
func TestTemplate(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute of computing")
	}
	needTool(t, "java")
	for _, jar := range toolkit {
		if _, err := os.Stat(jar); err != nil {
			t.Skip("libpixelmed-java is not installed")
		}
	}
	f := films()["reviewed"]
	f.Femurs = f.Femurs[:1]
	r := &f.Femurs[0].Record
	f.Femurs[0].Focal = f.Femurs[0].Focal[:1]
	refused := 1 // the head's diameter, taken away by the reviewer
	for q := range concepts {
		if s := string(q); r.Values[q] != (measure.Value{}) && (strings.Contains(s, "_100") || strings.Contains(s, "_150") || strings.Contains(s, "_50_")) {
			delete(r.Values, q)
			delete(f.Review[0].Before.Values, q)
			refused++
		}
	}
	r.Reasons = []measure.Reason{measure.LevelNotVisible}

	// The limits are those of Java's own XML processing, not of the toolkit.
	out, err := exec.Command("java", "-Djdk.xml.xpathExprOpLimit=0", "-Djdk.xml.xpathTotalOpLimit=0", "-Djdk.xml.xpathExprGrpLimit=0",
		"-Djdk.xml.entityExpansionLimit=0", "-Xss64m", "-cp", strings.Join(toolkit, ":"), "com.pixelmed.validate.DicomSRValidator", writeReport(t, f)).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"Found Comprehensive3DSR IOD", "Found Root Template TID_1500 (MeasurementReport)", "Root Template Validation Complete"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("the checker does not say %q:\n%.500s", want, out)
		}
	}
	empty, own := 0, 0
	for line := range strings.Lines(string(out)) {
		switch line = strings.TrimRight(line, "\n"); {
		case emptyValue.MatchString(line):
			empty++
		case extension.MatchString(line):
			own++
		case anyRow.MatchString(line):
		case strings.HasPrefix(line, "Error"), strings.HasPrefix(line, "Warning"):
			t.Error(line)
		}
	}
	if empty != refused {
		t.Errorf("%d numbers without a value, want %d", empty, refused)
	}
	if own == 0 {
		t.Error("no item of our own was noticed: the checker did not look at items beyond the template")
	}
}
