package dicomfile

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"shaftgauge/pipeline/simulate"
)

// smallFilm is the i-th film of a test archive: two films a study, two studies a
// patient, all object kinds.
func smallFilm(i int) (simulate.Film, error) {
	objects := []simulate.Object{
		simulate.ComputedRadiography, simulate.DigitalPresentation, simulate.DigitalProcessing,
		simulate.Fluoroscopy, simulate.SecondaryCapture,
	}
	f := testFilm(objects[i%len(objects)], []int{8, 10, 12, 14, 16}[i%7%5], 24+i%5, 30+i%3)
	f.Facts.PatientID = fmt.Sprintf("HV-%04d", i/4+1)
	f.Facts.StudyDate = fmt.Sprintf("202401%02d", i/2%28+1)
	f.Facts.StudyUID = fmt.Sprintf("2.25.1%06d", i/2)
	f.Facts.SeriesUID = fmt.Sprintf("2.25.2%06d", i)
	f.Facts.InstanceUID = fmt.Sprintf("2.25.3%06d", i)
	f.Truth.Seed = uint64(i)
	return f, nil
}

func digests(t *testing.T, dir string) map[string][32]byte {
	t.Helper()
	sums := map[string][32]byte{}
	err := filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(name)
		rel, _ := filepath.Rel(dir, name)
		sums[filepath.ToSlash(rel)] = sha256.Sum256(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return sums
}

// An archive has every film once, where truth.json says, and comes out alike
// whatever the number of workers.
func TestWriteArchive(t *testing.T) {
	const films = 300
	dir := t.TempDir()
	if err := WriteArchive(t.Context(), dir, 7, films, smallFilm, ArchiveOptions{}); err != nil {
		t.Fatal(err)
	}
	again := t.TempDir()
	if err := WriteArchive(t.Context(), again, 7, films, smallFilm, ArchiveOptions{Workers: 5}); err != nil {
		t.Fatal(err)
	}
	sums := digests(t, dir)
	if fmt.Sprint(sums) != fmt.Sprint(digests(t, again)) {
		t.Error("the same seed gave another archive")
	}

	file, err := os.Open(filepath.Join(dir, TruthFile))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	truth, err := ReadTruth(file)
	if err != nil {
		t.Fatal(err)
	}
	if len(truth.Films) != films {
		t.Fatalf("truth of %d films, want %d", len(truth.Films), films)
	}
	seen := map[Syntax]int{}
	places := map[string]int{}
	lossy := 0
	for i, f := range truth.Films {
		if f.Truth.Seed != uint64(i) {
			t.Errorf("film %d has the truth of film %d", i, f.Truth.Seed)
		}
		data := readMember(t, dir, f.Source)
		if len(data) < 132 || string(data[128:132]) != "DICM" {
			t.Errorf("%s is no DICOM file", f.Source)
		}
		if !bytes.Contains(data, []byte(f.Syntax)) {
			t.Errorf("%s is not in %v", f.Source, f.Syntax)
		}
		seen[f.Syntax]++
		if f.Lossy {
			lossy++
		}
		switch {
		case strings.HasPrefix(f.Source, "transfer/"):
			places["zip"]++
		case strings.HasPrefix(f.Source, "disc/"):
			places["disc"]++
		default:
			places["folder"]++
		}
	}
	for _, s := range Syntaxes() {
		if seen[s] == 0 {
			t.Errorf("no film in %v", s)
		}
	}
	if lossy > films/6 {
		t.Errorf("%d of %d films are lossy", lossy, films)
	}
	if places["zip"] == 0 || places["disc"] == 0 || places["folder"] < films/2 {
		t.Errorf("films lie in %v", places)
	}
	loose := places["disc"] + places["folder"]
	zips := 0
	for name := range sums {
		if strings.HasSuffix(name, ".zip") {
			zips++
		}
	}
	if want := loose + zips + 2; len(sums) != want { // DICOMDIR and truth.json
		t.Errorf("%d files, want %d", len(sums), want)
	}
}

// readMember reads a film by its source, which may go through a .zip.
func readMember(t *testing.T, dir, source string) []byte {
	t.Helper()
	container, member, inZip := strings.Cut(source, ".zip/")
	if !inZip {
		data, err := os.ReadFile(filepath.Join(dir, source))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	z, err := zip.OpenReader(filepath.Join(dir, container+".zip"))
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	f, err := z.Open(member)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// pydicom's file set reader and dicom3tools' validator accept the DICOMDIR;
// pydicom finds through it the same instances as truth.json.
func TestDirectory(t *testing.T) {
	dir := t.TempDir()
	if err := WriteArchive(t.Context(), dir, 7, 120, smallFilm, ArchiveOptions{}); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(filepath.Join(dir, TruthFile))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	truth, err := ReadTruth(file)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, f := range truth.Films {
		if strings.HasPrefix(f.Source, "disc/") {
			want = append(want, f.InstanceUID+" "+string(f.Syntax))
		}
	}
	slices.Sort(want)
	name := filepath.Join(dir, "disc", "DICOMDIR")

	t.Run("dciodvfy", func(t *testing.T) {
		needTool(t, "dciodvfy")
		out, err := exec.Command("dciodvfy", name).CombinedOutput()
		if err != nil || bytes.Contains(out, []byte("Error")) {
			t.Errorf("%v\n%s", err, out)
		}
	})
	t.Run("pydicom", func(t *testing.T) {
		if !havePydicom() {
			t.Skip("python3-pydicom is not installed")
		}
		out, err := exec.Command("/usr/bin/python3", "-W", "ignore", "-c", `
import sys
from pydicom.fileset import FileSet
for i in FileSet(sys.argv[1]):
    d = i.load()
    assert (d.PatientID, d.StudyInstanceUID, d.SeriesInstanceUID) == (i.PatientID, i.StudyInstanceUID, i.SeriesInstanceUID)
    print(d.SOPInstanceUID, d.file_meta.TransferSyntaxUID)`, name).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		got := strings.Split(strings.TrimSpace(string(out)), "\n")
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Errorf("got %v\nwant %v", got, want)
		}
	})
}

func TestWriteArchiveRefuses(t *testing.T) {
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "x"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := WriteArchive(t.Context(), full, 1, 1, smallFilm, ArchiveOptions{}); err == nil {
		t.Error("a folder that is not empty: no error")
	}
	broken := errors.New("no film")
	err := WriteArchive(t.Context(), t.TempDir(), 1, 3, func(int) (simulate.Film, error) {
		return simulate.Film{}, broken
	}, ArchiveOptions{})
	if !errors.Is(err, broken) {
		t.Errorf("error %v, want %v", err, broken)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := t.TempDir()
	if err := WriteArchive(ctx, dir, 1, 3, smallFilm, ArchiveOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want %v", err, context.Canceled)
	}
	if _, err := os.Stat(filepath.Join(dir, TruthFile)); err == nil {
		t.Error("a cancelled archive has its truth")
	}
}
