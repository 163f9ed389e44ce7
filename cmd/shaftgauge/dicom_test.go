package main

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/export/dicom"
	"shaftgauge/measure"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/review"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// dicomOf runs the command in this process.
func dicomOf(args ...string) (code int, said string) {
	var b bytes.Buffer
	code = run(append([]string{"dicom"}, args...), &b, &b)
	return code, b.String()
}

// all reads a folder.
func all(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := make(map[string][]byte)
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		out[d.Name()], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestDicom(t *testing.T) {
	m := newMeasured(t)
	good := rampFilm(t, "2.25.100", plain)
	m.film(t, good, rowOf("a/good.dcm", "2.25.100"))
	m.film(t, good, rowOf("b/again.dcm", "2.25.100"))

	nothing := rowOf("b/nothing.dcm", "2.25.101")
	nothing.Record.Values, nothing.Record.Status, nothing.Record.Reasons = nil, measure.StatusNotMeasured, []measure.Reason{measure.NoFemurFound}
	m.film(t, rampFilm(t, "2.25.101", plain), nothing)

	scan := rowOf("c/scan.png", "")
	m.film(t, []byte("\x89PNG\r\n\x1a\n, in the eyes of the list"), scan)

	var archive bytes.Buffer
	z := zip.NewWriter(&archive)
	member, err := z.Create("in/packed.dcm")
	if err != nil {
		t.Fatal(err)
	}
	packed := rampFilm(t, "2.25.102", func(f *simulate.Film, _ *dicomfile.Options) { f.Facts.PatientName = "FENHOLT^GIDEON" })
	if _, err := member.Write(packed); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	writeTo(t, filepath.Join(m.films, "d.zip"), archive.Bytes())
	m.measured(t, packed, rowOf("d.zip/in/packed.dcm", "2.25.102"))
	m.finish(t)

	dir := filepath.Join(t.TempDir(), "objects")
	code, said := dicomOf(m.out, "-o", dir, "--overlays")
	if code != 0 {
		t.Fatalf("exit code %d: %s", code, said)
	}
	for _, want := range []string{"2 reports, 2 presentation states, 2 secondary captures", "without: 1, " + notDICOM, "without: 1, " + noFemur, "without: 1, " + sameImage} {
		if !strings.Contains(said, want) {
			t.Errorf("does not say %q:\n%s", want, said)
		}
	}
	objects := all(t, dir)
	rows, err := csv.NewReader(bytes.NewReader(objects[documentsName])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+2*3+3 {
		t.Errorf("%d rows in %s, want 10:\n%s", len(rows), documentsName, objects[documentsName])
	}
	films := map[string][]byte{"a/good.dcm": good, "d.zip/in/packed.dcm": packed}
	for _, row := range rows[1:] {
		if row[2] == "" {
			continue
		}
		samePatient(t, row, films[row[0]], objects[row[2]])
		if _, err := exec.LookPath("dciodvfy"); err == nil {
			out, err := exec.Command("dciodvfy", filepath.Join(dir, row[2])).CombinedOutput()
			if err != nil || bytes.Contains(out, []byte("Error")) {
				t.Errorf("%s: dciodvfy: %v\n%s", row[2], err, out)
			}
		}
	}

	again := filepath.Join(t.TempDir(), "again")
	if code, said := dicomOf(m.out, "-o", again, "--overlays"); code != 0 {
		t.Fatalf("exit code %d: %s", code, said)
	}
	for name, b := range all(t, again) {
		if !bytes.Equal(b, objects[name]) {
			t.Errorf("%s differs the second time", name)
		}
	}

	// Without the overlays, and with one film less: what was of them goes.
	if err := os.Remove(filepath.Join(m.films, "d.zip")); err != nil {
		t.Fatal(err)
	}
	writeTo(t, filepath.Join(again, "mine.dcm"), []byte("kept"))
	if code, said := dicomOf(m.out, "-o", again); code != exitNotMeasured || !strings.Contains(said, "without: 1, "+notThere) {
		t.Errorf("exit code %d: %s", code, said)
	}
	var left []string
	for name := range all(t, again) {
		left = append(left, name[max(0, len(name)-7):])
	}
	slices.Sort(left)
	if want := []string{"-pr.dcm", "-sr.dcm", "nts.csv", "ine.dcm"}; !slices.Equal(left, slices.Sorted(slices.Values(want))) {
		t.Errorf("left: %v", left)
	}
}

// Key and nail list of the run are not needed again, and may lie elsewhere by now.
func TestDicomWithoutFilesOfTheRun(t *testing.T) {
	m := newMeasured(t)
	m.report.Settings.KeyFile, m.report.Settings.NailsFile = filepath.Join(m.out, "no key"), filepath.Join(m.out, "no list")
	m.film(t, rampFilm(t, "2.25.100", plain), rowOf("a.dcm", "2.25.100"))
	m.finish(t)
	if code, said := dicomOf(m.out, "-o", t.TempDir()); code != 0 {
		t.Errorf("exit code %d: %s", code, said)
	}
}

// samePatient wants an object to belong to its film's patient and study, under
// the instance UID that the list gives.
func samePatient(t *testing.T, row []string, film, object []byte) {
	t.Helper()
	open := func(b []byte) *part10.File {
		f, err := part10.Open(bytes.NewReader(b), int64(len(b)), 1<<20)
		if err != nil {
			t.Fatalf("%s: %v", row[2], err)
		}
		return f
	}
	of, to := open(film), open(object)
	for _, g := range []tag.Tag{tag.PatientName, tag.PatientID, tag.IssuerOfPatientID, tag.StudyInstanceUID, tag.StudyDate, tag.StudyTime, tag.StudyID, tag.AccessionNumber} {
		if got, want := to.Data.Text(g), of.Data.Text(g); got != want {
			t.Errorf("%s: %v is %q, the film's %q", row[2], g, got, want)
		}
	}
	if got := to.Data.Text(tag.SOPInstanceUID); got != row[3] || got == of.Data.Text(tag.SOPInstanceUID) {
		t.Errorf("%s: instance %s, listed as %s", row[2], got, row[3])
	}
	if to.Data.Text(tag.SeriesInstanceUID) == of.Data.Text(tag.SeriesInstanceUID) {
		t.Errorf("%s is in the film's series", row[2])
	}
}

// Objects must not be made of other films than the measured ones.
func TestDicomRefuses(t *testing.T) {
	m := newMeasured(t)
	m.film(t, rampFilm(t, "2.25.100", plain), rowOf("changed.dcm", "2.25.100"))
	m.film(t, rampFilm(t, "2.25.101", plain), rowOf("gone.dcm", "2.25.101"))
	m.film(t, rampFilm(t, "2.25.102", plain), rowOf("other.dcm", "2.25.999")) // not the header's instance
	m.finish(t)
	writeTo(t, filepath.Join(m.films, "changed.dcm"), rampFilm(t, "2.25.100", func(f *simulate.Film, _ *dicomfile.Options) { f.Pixels[0]++ }))
	if err := os.Remove(filepath.Join(m.films, "gone.dcm")); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "objects")
	code, said := dicomOf(m.out, "-o", dir)
	if code != exitNotMeasured {
		t.Errorf("exit code %d: %s", code, said)
	}
	for _, want := range []string{"0 reports, 0 presentation states", "without: 1, " + changed, "without: 1, " + notThere, "without: 1, " + headerLacks} {
		if !strings.Contains(said, want) {
			t.Errorf("does not say %q:\n%s", want, said)
		}
	}
	for name := range all(t, dir) {
		if name != documentsName {
			t.Errorf("%s was left", name)
		}
	}

	for name, tt := range map[string]struct {
		args []string
		want string
	}{
		"no run":          {nil, "name the output folder"},
		"no folder":       {[]string{m.out}, "no folder for the objects"},
		"not an output":   {[]string{m.films, "-o", dir}, "not the output of a finished run"},
		"among the films": {[]string{m.out, "-o", filepath.Join(m.films, "new", "objects")}, "among the films"},
	} {
		if code, said := dicomOf(tt.args...); code != exitUsage || !strings.Contains(said, tt.want) {
			t.Errorf("%s: exit code %d: %s", name, code, said)
		}
	}
	if _, err := os.Stat(filepath.Join(m.films, "new")); !os.IsNotExist(err) {
		t.Errorf("a folder was made among the films: %v", err)
	}

	m.report.Settings.Pseudonymise = true
	m.finish(t)
	if code, said := dicomOf(m.out, "-o", dir); code != exitUsage || !strings.Contains(said, "pseudonymised") {
		t.Errorf("pseudonymised: exit code %d: %s", code, said)
	}
}

// What people decided goes into the objects: corrected femurs as corrected,
// rejected ones without numbers and drawing.
func TestDicomReviewed(t *testing.T) {
	m := newMeasured(t)
	names := []string{"accepted.dcm", "corrected.dcm", "rejected.dcm", "nobody.dcm"}
	for i, name := range names {
		uid := fmt.Sprintf("2.25.10%d", i)
		m.film(t, rampFilm(t, uid, plain), rowOf(name, uid))
	}
	m.finish(t)
	corrected := rowOf("corrected.dcm", "2.25.101")
	corrected.Record.Set(measure.NeckShaftAngle, 131.25, 1.5)
	corrected.Geometry = lineOf("corrected.dcm")
	corrected.Geometry.Midline[0].X = 11
	decided := func(row int, state review.State) review.Outcome {
		o := review.Outcome{Row: row}
		o.State, o.Reviewer, o.At = state, "Garrowby Honor", time.Date(2024, 3, 2, 8, 0, 0, 0, time.UTC)
		return o
	}
	reviews := map[int]review.Outcome{0: decided(0, review.Accepted), 1: decided(1, review.Corrected), 2: decided(2, review.Rejected)}
	o := reviews[1]
	o.Femur = &corrected
	reviews[1] = o
	o = reviews[2]
	o.Reason = "another bone"
	reviews[2] = o

	finished, err := openFinished(m.out)
	if err != nil {
		t.Fatal(err)
	}
	w, err := newDocuments(t.Context(), finished, t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	w.reviews = reviews
	for _, rows := range byFilm(finished.femurs) {
		if err := w.film(rows); err != nil {
			t.Fatal(err)
		}
	}
	if w.written["report"] != 4 || w.written["presentation state"] != 3 || w.written["secondary capture"] != 2 || w.without[nothingDrawn] != 1 || w.without[oldOverlay] != 2 {
		t.Errorf("wrote %v, without %v", w.written, w.without)
	}
	for _, d := range w.list {
		if d.kind != "report" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(w.dir, d.file))
		if err != nil {
			t.Fatal(err)
		}
		f, err := part10.Open(bytes.NewReader(b), int64(len(b)), 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		flag, want := f.Data.Text(tag.VerificationFlag), "VERIFIED"
		if d.source == "nobody.dcm" {
			want = "UNVERIFIED"
		}
		if flag != want {
			t.Errorf("%s: %s, want %s", d.source, flag, want)
		}
		for _, has := range []struct {
			text string
			in   []string
		}{
			{"127.50", []string{"accepted.dcm", "corrected.dcm", "nobody.dcm"}}, // as measured
			{"131.25", []string{"corrected.dcm"}},
			{"another bone", []string{"rejected.dcm"}},
			{"Garrowby Honor", []string{"accepted.dcm", "corrected.dcm", "rejected.dcm"}},
		} {
			if got := bytes.Contains(b, []byte(has.text)); got != slices.Contains(has.in, d.source) {
				t.Errorf("%s holds %q: %v", d.source, has.text, got)
			}
		}
	}
}

// A report with other content names the one whose place it takes (PS3.3 C.17.2);
// the same content stays the same report; and each has one predecessor.
func TestReportNamesItsPredecessor(t *testing.T) {
	m := newMeasured(t)
	m.film(t, rampFilm(t, "2.25.100", plain), rowOf("good.dcm", "2.25.100"))
	dir := filepath.Join(t.TempDir(), "objects")
	written := func(nsa float64) (b []byte, own, replaced *dicom.Document) {
		t.Helper()
		m.femurs[0].Record.Set(measure.NeckShaftAngle, nsa, 2.5)
		m.finish(t)
		if code, said := dicomOf(m.out, "-o", dir); code != 0 {
			t.Fatalf("exit code %d: %s", code, said)
		}
		path := filepath.Join(dir, objectName("good.dcm", reportSuffix))
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := exec.LookPath("dciodvfy"); err == nil {
			if out, err := exec.Command("dciodvfy", path).CombinedOutput(); err != nil || bytes.Contains(out, []byte("Error")) {
				t.Errorf("dciodvfy: %v\n%s", err, out)
			}
		}
		own, replaced = earlierReport(b, 1<<20)
		if own == nil {
			t.Fatal("not read back")
		}
		return b, own, replaced
	}
	_, first, none := written(127.5)
	if none != nil {
		t.Errorf("the first report replaces %v", none)
	}
	second, corrected, replaced := written(131)
	if replaced == nil || *replaced != *first || corrected.InstanceUID == first.InstanceUID || replaced.StudyUID != "2.25.1" {
		t.Errorf("%v replaces %v, want %v", corrected, replaced, first)
	}
	if again, _, _ := written(131); !bytes.Equal(again, second) {
		t.Error("the same content made another file")
	}
	if _, back, replaced := written(127.5); replaced == nil || *replaced != *corrected || back.InstanceUID == first.InstanceUID {
		t.Errorf("%v replaces %v, want %v", back, replaced, corrected)
	}
}
