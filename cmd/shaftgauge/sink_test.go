package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/job"
)

// answer is of one femur a frame on so many frames.
func answer(source string, frames int, x float64) job.Answer {
	a := job.Answer{Source: source}
	for i := 1; i <= frames; i++ {
		g := &measure.Geometry{Source: source, Frame: i, Midline: []geom.PointPx{{X: x, Y: 1}, {X: x, Y: 5}}}
		a.Femurs = append(a.Femurs, measure.Femur{Record: measure.Record{Source: source, Frame: i, Status: measure.StatusMeasured}, Geometry: g})
		a.Pictures = append(a.Pictures, job.Picture{Frame: i, Rows: 8, Cols: 8, Scale: 1, Grey: make([]byte, 64)})
	}
	return a
}

func begun(t *testing.T) *output {
	t.Helper()
	o := &output{dir: t.TempDir(), overlays: true, profileKind: "parquet"}
	if err := o.Begin(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(o.abort)
	return o
}

// bare returns a as the ledger gives it: pictures without pixels.
func bare(a job.Answer) job.Answer {
	a.Pictures = append([]job.Picture(nil), a.Pictures...)
	for i := range a.Pictures {
		a.Pictures[i].Grey = nil
	}
	return a
}

func TestSinkReplacesOldFiles(t *testing.T) {
	o := begun(t)
	if err := o.Film(t.Context(), answer("a.dcm", 3, 1)); err != nil {
		t.Fatal(err)
	}
	other := answer("a.dcm.more", 1, 1) // a name that begins alike
	if err := o.Film(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	o.abort()
	if err := o.Begin(); err != nil { // another run
		t.Fatal(err)
	}
	if err := o.Film(t.Context(), answer("a.dcm", 1, 2)); err != nil {
		t.Fatal(err)
	}
	for sub, want := range map[string]int{geometryDir: 2, overlayDir: 2} {
		files, err := os.ReadDir(filepath.Join(o.dir, sub))
		if err != nil {
			t.Fatal(err)
		}
		if len(files) != want {
			t.Errorf("%s: %d files, want %d", sub, len(files), want)
		}
	}
}

// Profiles of the other kind are of an earlier run, and no longer those of the rows.
func TestSinkKeepsOneKindOfProfiles(t *testing.T) {
	o := begun(t)
	for _, kind := range []string{"parquet", "csv", "parquet"} {
		o.abort()
		o.profileKind = kind
		if err := o.Begin(); err != nil {
			t.Fatal(err)
		}
		if err := o.commit(); err != nil {
			t.Fatal(err)
		}
		want := []string{profilesName + kind}
		if kind == "csv" {
			want = append(want, "profiles.csv-metadata.json")
		}
		for i, name := range want {
			want[i] = filepath.Join(o.dir, name)
		}
		if got, err := filepath.Glob(filepath.Join(o.dir, profilesName+"*")); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %q", kind, got)
		}
	}
}

// Once films are measured another way, the rows of the run before and the files of this
// one do not go together: nothing may take them for a finished run.
func TestSinkEndsOtherRuns(t *testing.T) {
	o := begun(t)
	path := filepath.Join(o.dir, runName)
	for _, c := range []struct {
		name string
		run  report
		kept bool
	}{
		{"same", report{Algorithm: "a", Settings: settings{MaxPixels: 5, Workers: 2}}, true},
		{"algorithm", report{Algorithm: "b", Settings: settings{MaxPixels: 5}}, false},
		{"setting", report{Algorithm: "a", Settings: settings{MaxPixels: 6}}, false},
		{"nails", report{Algorithm: "a", Settings: settings{MaxPixels: 5}, Nails: []measure.Nail{{Name: "n"}}}, false},
	} {
		b, err := json.Marshal(report{Algorithm: "a", Settings: settings{MaxPixels: 5, Workers: 1}})
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		o.abort()
		o.run = c.run
		if err := o.Begin(); err != nil {
			t.Fatal(err)
		}
		if _, err := os.Stat(path); (err == nil) != c.kept {
			t.Errorf("%s: run.json kept %v, want %v", c.name, err == nil, c.kept)
		}
	}
	// A disk that fills while the tables are written leaves no finished run either.
	if err := os.WriteFile(path, []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(o.dir, tableName), 0o755); err != nil { // nothing can be written there
		t.Fatal(err)
	}
	if err := o.commit(); err == nil {
		t.Fatal("no error")
	}
	if _, err := os.Stat(path); err == nil {
		t.Error("run.json of another run beside half of this one's tables")
	}
}

func TestSinkRestores(t *testing.T) {
	o := begun(t)
	a := answer("a.dcm", 2, 1)
	if err := o.Film(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	geometry := filepath.Join(o.dir, geometryDir, export.FemurName("a.dcm", 1, 1)+".json")
	whole := read(t, geometry)
	if err := os.WriteFile(geometry, []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	if ok, err := o.Restore(t.Context(), bare(a), "a.dcm"); err != nil || !ok {
		t.Fatalf("%v %v", ok, err)
	}
	if !bytes.Equal(read(t, geometry), whole) {
		t.Error("a damaged geometry file stays")
	}

	// The same film at another path: its overlays are copies.
	b := bare(a).WithSource("b.dcm")
	if ok, err := o.Restore(t.Context(), b, "a.dcm"); err != nil || !ok {
		t.Fatalf("%v %v", ok, err)
	}
	if !bytes.Equal(read(t, o.overlay("b.dcm", 2)), read(t, o.overlay("a.dcm", 2))) {
		t.Error("overlays differ")
	}

	// Overlays that nobody has must be drawn anew.
	for _, source := range []string{"a.dcm", "b.dcm"} {
		if err := os.Remove(o.overlay(source, 2)); err != nil {
			t.Fatal(err)
		}
	}
	for _, first := range []string{"a.dcm", "b.dcm", ""} {
		if ok, err := o.Restore(t.Context(), bare(a), first); err != nil || ok {
			t.Errorf("restored from %q: %v %v", first, ok, err)
		}
	}
}

func TestTablesAppearWholeOrNotAtAll(t *testing.T) {
	for _, finish := range []bool{true, false} {
		o := begun(t)
		left := filepath.Join(o.dir, geometryDir, ".x.json.123.tmp")
		if err := os.WriteFile(left, nil, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := o.Put(t.Context(), answer("a.dcm", 1, 1)); err != nil {
			t.Fatal(err)
		}
		if finish {
			if err := o.commit(); err != nil {
				t.Fatal(err)
			}
		}
		o.abort()
		for _, name := range []string{tableName, tableName + export.MetadataSuffix, profilesName + "parquet", export.Pairs.Name, export.Focals.Name + export.MetadataSuffix} {
			_, err := os.Stat(filepath.Join(o.dir, name))
			if finish && err != nil || !finish && !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("finished %v, %s: %v", finish, name, err)
			}
		}
		again := &output{dir: o.dir, overlays: true, profileKind: "csv"}
		if err := again.Begin(); err != nil {
			t.Fatal(err)
		}
		again.abort()
		if tmp, _ := filepath.Glob(filepath.Join(o.dir, "*", ".*.tmp")); len(tmp) > 0 {
			t.Errorf("left behind: %v", tmp)
		}
	}
}

// nails.csv is there when a list was given, and not left from an earlier run
// when none was.
func TestNailsOnlyWithAList(t *testing.T) {
	dir := t.TempDir()
	for _, list := range []bool{true, false} {
		o := &output{dir: dir, profileKind: "parquet", nails: list}
		if err := o.Begin(); err != nil {
			t.Fatal(err)
		}
		if err := o.Put(t.Context(), answer("a.dcm", 1, 1)); err != nil {
			t.Fatal(err)
		}
		if err := o.commit(); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{export.Nails.Name, export.Nails.Name + export.MetadataSuffix} {
			if _, err := os.Stat(filepath.Join(dir, name)); (err == nil) != list {
				t.Errorf("list given %v: %s: %v", list, name, err)
			}
		}
	}
}

// The rows that Put was given stay as they were: rank and reasons are the
// table's.
func TestPutKeepsItsAnswer(t *testing.T) {
	o := begun(t)
	a := answer("a.dcm", 1, 1)
	a.Femurs[0].Record.Set(measure.BowSpan, 1, 1)
	if err := o.Put(t.Context(), a); err != nil {
		t.Fatal(err)
	}
	if err := o.commit(); err != nil {
		t.Fatal(err)
	}
	if r := a.Femurs[0].Record; len(r.Values) != 1 || len(r.Texts) != 0 || len(r.Reasons) != 0 {
		t.Errorf("%v %v %v", r.Values, r.Texts, r.Reasons)
	}
	if rows := read(t, filepath.Join(o.dir, tableName)); !bytes.Contains(rows, []byte(",1,\r\n")) {
		t.Errorf("no rank in %s", rows)
	}
}
