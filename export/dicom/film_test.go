package dicom

import (
	"bytes"
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Every column of numbers is said in DICOM, but for those that describe the
// film or the run.
func TestEveryColumn(t *testing.T) {
	others := map[string]bool{"frame": true, "study_day": true, "pixel_mm": true, "magnification": true, "review_rank": true}
	seen := make(map[string]string)
	for _, col := range measure.Columns {
		c, ok := concepts[measure.Quantity(col.Name)]
		if want := col.Unit != "" && !others[col.Name]; ok != want {
			t.Errorf("%s is said: %v, want %v", col.Name, ok, want)
		}
		if !ok {
			continue
		}
		if was := seen[c.method.Value]; was != "" {
			t.Errorf("%s and %s have one method", was, col.Name)
		}
		seen[c.method.Value] = col.Name
		if _, ok := units[col.Unit]; !ok {
			t.Errorf("%s has the unit %s", col.Name, col.Unit)
		}
	}
	for name := range words {
		if c := measure.ColumnOf(measure.Quantity(name)); c.Unit != "" {
			t.Errorf("%s is said in words and has a unit", name)
		}
	}
}

func report(t *testing.T, f Film, p Program) (instance string, b []byte) {
	t.Helper()
	var out bytes.Buffer
	instance, err := WriteReport(&out, f, p)
	if err != nil {
		t.Fatal(err)
	}
	return instance, out.Bytes()
}

// The same content has the same UID at whatever time it is written; another
// number, algorithm or kind of object has another.
func TestUIDs(t *testing.T) {
	f := films()["AP"]
	uid, b := report(t, f, program)
	if again, same := report(t, f, program); again != uid || !bytes.Equal(b, same) {
		t.Error("written twice, two reports")
	}
	later := program
	later.Written = later.Written.AddDate(1, 0, 0)
	if again, _ := report(t, f, later); again != uid {
		t.Error("the date changes the UID")
	}
	seen := map[string]string{uid: "report"}
	check := func(what, uid string) {
		t.Helper()
		if was := seen[uid]; was != "" {
			t.Errorf("%s has the UID of %s", what, was)
		}
		seen[uid] = what
		if !validUID(uid) {
			t.Errorf("%s: UID %q", what, uid)
		}
		n, ok := new(big.Int).SetString(strings.TrimPrefix(uid, "2.25."), 10)
		if !ok || n.BitLen() > 128 || n.Bit(79) != 1 || n.Bit(78)|n.Bit(77)|n.Bit(76) != 0 || n.Bit(63) != 1 || n.Bit(62) != 0 {
			t.Errorf("%s: %s is no UUID of version 8 (RFC 9562, 4 and 5.8)", what, uid)
		}
	}
	presentation, err := WritePresentation(new(bytes.Buffer), f, program)
	if err != nil {
		t.Fatal(err)
	}
	check("presentation state", presentation)
	other := program
	other.Algorithm = "shaft/1"
	uid, _ = report(t, f, other)
	check("another algorithm", uid)
	f = films()["AP"]
	f.Femurs[0].Record.Set(measure.HeadDiameter, 47.5, 0.4)
	uid, _ = report(t, f, program)
	check("another number", uid)
	f = films()["AP"]
	f.Header.InstanceUID, f.Femurs[0].Record.InstanceUID = "2.25.14", "2.25.14"
	uid, _ = report(t, f, program)
	check("another film", uid)
}

func TestHeaderIsChecked(t *testing.T) {
	for name, change := range map[string]func(*Film){
		"no study":      func(f *Film) { f.Header.StudyUID = "" },
		"no UID":        func(f *Film) { f.Header.SeriesUID = "12a" },
		"long UID":      func(f *Film) { f.Header.ClassUID = strings.Repeat("1.", 40) + "1" },
		"no size":       func(f *Film) { f.Header.Rows = 0 },
		"another image": func(f *Film) { f.Femurs[0].Record.InstanceUID = "2.25.99" },
		"no such frame": func(f *Film) { f.Femurs[0].Record.Frame = 2 },
	} {
		f := films()["AP"]
		change(&f)
		if _, err := WriteReport(new(bytes.Buffer), f, program); !errors.Is(err, ErrHeader) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := WritePresentation(new(bytes.Buffer), f, program); !errors.Is(err, ErrHeader) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What is copied from the film keeps its bytes and character set; a reviewer's
// words fit into that set.
func TestCharacterSet(t *testing.T) {
	f := films()["reviewed"]
	f.Review[0].Reviewer = "Dunm\u00e9re"
	_, b := report(t, f, program)
	if !bytes.Contains(b, []byte("ISO_IR 192")) || !bytes.Contains(b, []byte("Dunm\u00e9re")) {
		t.Error("an ASCII film and a reviewer with an accent: want UTF-8")
	}
	f.Header.CharacterSet, f.Header.PatientName = []string{"ISO_IR 100"}, "B\xfcrger^Anna" // Latin 1
	_, b = report(t, f, program)
	for _, want := range []string{"ISO_IR 100", "B\xfcrger^Anna", "Dunm?re"} {
		if !bytes.Contains(b, []byte(want)) {
			t.Errorf("no %q", want)
		}
	}
	if bytes.Contains(b, []byte("ISO_IR 192")) {
		t.Error("Latin 1 bytes in a file that says UTF-8")
	}
	if f.Review[0].Reviewer != "Dunm\u00e9re" {
		t.Error("the caller's review was changed")
	}
	validate(t, writeReport(t, f))
}

// Lines and circles that leave the image are cut where they do.
func TestShapesStayOnTheImage(t *testing.T) {
	in := frameSize{rows: 100, cols: 80}
	head := in.circle(measure.CirclePx{C: geom.PointPx{X: 40, Y: 5}, R: 20})
	if len(head) == 0 || head[0].kind != "POLYLINE" {
		t.Fatalf("a circle over the rim: %v", head)
	}
	if whole := in.circle(measure.CirclePx{C: geom.PointPx{X: 40, Y: 50}, R: 20}); len(whole) != 1 || whole[0].kind != "CIRCLE" {
		t.Errorf("a circle on the image: %v", whole)
	}
	line := []geom.PointPx{{X: -3, Y: 1}, {X: 1, Y: 1}, {X: 2, Y: 2}, {X: math.NaN(), Y: 1}, {X: 5, Y: 99.4}, {X: 79.5, Y: 99.5}, {X: 79.6, Y: 99}}
	parts := in.polylines(line, 10)
	if len(parts) != 2 || len(parts[0].points) != 2 || len(parts[1].points) != 2 {
		t.Errorf("parts %v", parts)
	}
	bow := in.arcAlong(measure.CirclePx{C: geom.PointPx{X: 540, Y: 50}, R: 500}, []geom.PointPx{{X: 42, Y: 5}, {X: 40, Y: 50}, {X: 42, Y: 95}})
	if len(bow) != 1 || len(bow[0].points) != arcPoints {
		t.Fatalf("arc %v", bow)
	}
	first, last := bow[0].points[0], bow[0].points[arcPoints-1]
	if math.Abs(first.Y-5) > 0.5 || math.Abs(last.Y-95) > 0.5 {
		t.Errorf("arc from %v to %v, want 5 to 95 down", first, last)
	}
	for _, s := range append(append(head, parts...), bow...) {
		for _, c := range coordinates(s.points) {
			if c < 0 || c > 100 {
				t.Errorf("%s reaches %g", s.kind, c)
			}
		}
	}
	for _, r := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if s := in.circle(measure.CirclePx{C: geom.PointPx{X: 1, Y: 1}, R: r}); s != nil {
			t.Errorf("radius %g: %v", r, s)
		}
	}
	if long := thin(make([]geom.PointPx, 5000), 48); len(long) != 48 {
		t.Errorf("%d points", len(long))
	}
}
