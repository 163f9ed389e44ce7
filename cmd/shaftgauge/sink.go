package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// output writes what a run gives into one folder. It is a [pipeline.Sink].
type output struct {
	dir         string
	overlays    bool
	profileKind string // parquet or csv
	nails       bool   // a list of nails was given
	run         report // how this run measures

	// From Begin on.
	old      map[string][]string // files of earlier runs, by the film they are of
	profile  *stream             // profiles.parquet or .csv
	profiles *export.Profiles
	films    int
	femurs   []measure.Femur // all rows, without geometry and profiles
}

// Names in the output folder.
const (
	ledgerName   = "ledger.sqlite"
	tableName    = "measurements.csv"
	runName      = "run.json"
	geometryDir  = "geometry"
	overlayDir   = "overlays"
	profilesName = "profiles."
)

// Begin makes the folders, removes what a killed run left half written, and
// opens the tables that Put appends to.
func (o *output) Begin() error {
	for _, sub := range []string{"", geometryDir, overlayDir} {
		if sub == overlayDir && !o.overlays {
			continue
		}
		if err := os.MkdirAll(filepath.Join(o.dir, sub), 0o755); err != nil {
			return err
		}
		left, err := filepath.Glob(filepath.Join(escape(o.dir), sub, ".*.tmp"))
		if err != nil {
			return err
		}
		for _, f := range left {
			if err := os.Remove(f); err != nil {
				return err
			}
		}
	}
	if err := o.endOther(); err != nil {
		return err
	}
	if err := o.lookBack(); err != nil {
		return err
	}
	o.films, o.femurs = 0, nil
	o.profile = newStream(filepath.Join(o.dir, profilesName+o.profileKind))
	if o.profileKind == "csv" {
		var err error
		o.profiles, err = export.NewProfilesCSV(o.profile)
		return err
	}
	o.profiles = export.NewProfiles(o.profile)
	return nil
}

// endOther removes the run.json of a run that measured another way: from now on the
// folder holds files of both, and only the end of this one makes them whole again.
func (o *output) endOther() error {
	path := filepath.Join(o.dir, runName)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	var earlier report
	if json.Unmarshal(b, &earlier) == nil && earlier.way() == o.run.way() {
		return nil
	}
	return remove(path)
}

// escape makes a path a pattern of filepath.Glob that matches only itself.
func escape(path string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}

// Film writes the geometry of every femur and the overlay of every picture.
func (o *output) Film(_ context.Context, a job.Answer) error {
	if err := o.clear(a); err != nil {
		return err
	}
	if err := o.geometry(a); err != nil {
		return err
	}
	for _, p := range a.Pictures {
		femurs := onFrame(a, p.Frame)
		if len(femurs) == 0 {
			continue
		}
		picture := export.Picture{Rows: p.Rows, Cols: p.Cols, Scale: p.Scale, Grey: p.Grey}
		err := export.WriteFileAtomic(o.overlay(a.Source, p.Frame), func(w io.Writer) error {
			return export.WriteOverlay(w, picture, femurs)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// Restore writes the geometry again where it is not as it should be, and copies
// the overlays of the film first where a's own are not there.
func (o *output) Restore(_ context.Context, a job.Answer, first string) (bool, error) {
	if first != a.Source {
		if err := o.clear(a); err != nil {
			return false, err
		}
	}
	if err := o.geometry(a); err != nil {
		return false, err
	}
	if !o.overlays {
		return true, nil
	}
	for _, p := range a.Pictures {
		if len(onFrame(a, p.Frame)) == 0 {
			continue
		}
		to := o.overlay(a.Source, p.Frame)
		if first == a.Source {
			if _, err := os.Stat(to); err != nil {
				return false, nil
			}
			continue
		}
		b, err := os.ReadFile(o.overlay(first, p.Frame))
		if first == "" || errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		if err := export.WriteFileAtomic(to, bytesTo(b)); err != nil {
			return false, err
		}
	}
	return true, nil
}

func bytesTo(b []byte) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	}
}

// onFrame returns the femurs of a on one frame, in order.
func onFrame(a job.Answer, frame int) []measure.Femur {
	var femurs []measure.Femur
	for _, f := range a.Femurs {
		if f.Record.Frame == frame {
			femurs = append(femurs, f)
		}
	}
	return femurs
}

func (o *output) overlay(source string, frame int) string {
	return filepath.Join(o.dir, overlayDir, export.FrameName(source, frame)+".png")
}

// geometry writes the geometry files of a that do not hold what they should.
func (o *output) geometry(a job.Answer) error {
	count := make(map[int]int) // femurs by frame
	for _, f := range a.Femurs {
		count[f.Record.Frame]++
		if f.Geometry == nil {
			continue
		}
		var b bytes.Buffer
		if err := export.WriteGeometry(&b, f.Geometry); err != nil {
			return err
		}
		path := filepath.Join(o.dir, geometryDir, export.FemurName(a.Source, f.Record.Frame, count[f.Record.Frame])+".json")
		if have, err := os.ReadFile(path); err == nil && bytes.Equal(have, b.Bytes()) {
			continue
		}
		if err := export.WriteFileAtomic(path, bytesTo(b.Bytes())); err != nil {
			return err
		}
	}
	return nil
}

// lookBack notes the files that earlier runs left. Looking for them film by film
// would read folders of thousands of files thousands of times.
func (o *output) lookBack() error {
	o.old = make(map[string][]string)
	for sub, numbers := range map[string]int{overlayDir: 1, geometryDir: 2} { // at the end of a name: frame, femur
		files, err := os.ReadDir(filepath.Join(o.dir, sub))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		for _, f := range files {
			film := strings.TrimSuffix(f.Name(), filepath.Ext(f.Name()))
			for range numbers {
				film = film[:max(0, strings.LastIndexByte(film, '-'))]
			}
			o.old[film] = append(o.old[film], filepath.Join(o.dir, sub, f.Name()))
		}
	}
	return nil
}

// clear removes the files of a's source that an earlier run with other settings
// or another film left.
func (o *output) clear(a job.Answer) error {
	for _, f := range o.old[strings.TrimSuffix(export.FrameName(a.Source, 1), "-1")] {
		if err := remove(f); err != nil {
			return err
		}
	}
	return nil
}

// Put appends the profiles of one film and keeps its rows for commit: the order
// of review and the pairs need all of them.
func (o *output) Put(_ context.Context, a job.Answer) error {
	o.films++
	count := make(map[int]int)
	for i := range a.Femurs {
		f := a.Femurs[i]
		count[f.Record.Frame]++
		if err := o.profiles.Write(&f, count[f.Record.Frame]); err != nil {
			return err
		}
		f.Geometry, f.Profile = nil, nil
		f.Record.Values, f.Record.Texts = maps.Clone(f.Record.Values), maps.Clone(f.Record.Texts) // the answer's stay as they are
		o.femurs = append(o.femurs, f)
	}
	return nil
}

// commit makes the tables and the page appear, measurements.csv last. Stopped between
// them it leaves no run.json, so that no command takes tables of two runs for one.
func (o *output) commit() error {
	if err := remove(filepath.Join(o.dir, runName)); err != nil {
		return err
	}
	if err := o.profiles.Close(); err != nil {
		return err
	}
	if err := o.profile.commit(); err != nil {
		return err
	}
	if o.profileKind == "csv" {
		if err := export.WriteFileAtomic(o.profile.path+export.MetadataSuffix, export.ProfileTable.WriteMetadata); err != nil {
			return err
		}
		if err := remove(filepath.Join(o.dir, profilesName+"parquet")); err != nil { // of an earlier run, as below
			return err
		}
	} else if err := removeTable(o.dir, &export.ProfileTable); err != nil {
		return err
	}
	pairs := measure.Pairs(o.femurs)
	measure.Review(o.femurs, pairs)
	if err := writeTable(o.dir, &export.Pairs, export.PairRows(pairs, o.femurs)); err != nil {
		return err
	}
	if err := writeTable(o.dir, &export.Focals, export.FocalRows(o.femurs)); err != nil {
		return err
	}
	if o.nails {
		if err := writeTable(o.dir, &export.Nails, export.NailRows(o.femurs)); err != nil {
			return err
		}
	} else if err := removeTable(o.dir, &export.Nails); err != nil { // of an earlier run with a list
		return err
	}
	if err := writeRows(o.dir, o.femurs); err != nil {
		return err
	}
	if err := o.writePage(pairs); err != nil {
		return err
	}
	return writeTable(o.dir, &export.Measurements, export.MeasurementRows(o.femurs))
}

// first returns the first rows in the order of review, n at most, that have
// reasons for it.
func (o *output) first(n int) []measure.Record {
	out := make([]measure.Record, n)
	for i := range o.femurs {
		r := &o.femurs[i].Record
		if rank := int(r.Values[measure.ReviewRank].X); rank >= 1 && rank <= n {
			out[rank-1] = *r
		}
	}
	return slices.DeleteFunc(out, func(r measure.Record) bool { return r.Texts[measure.ReviewReasons] == "" })
}

// byReason counts the rows of each reason in the tables: those of the films, and
// those that the person's other films gave.
func (o *output) byReason() map[string]int {
	count := make(map[string]int)
	for i := range o.femurs {
		for _, r := range o.femurs[i].Record.Reasons {
			count[string(r)]++
		}
	}
	return count
}

// writeTable writes a table and its description into dir.
func writeTable[T any](dir string, t *export.Table[T], rows iter.Seq[T]) error {
	path := filepath.Join(dir, t.Name)
	if err := export.WriteFileAtomic(path+export.MetadataSuffix, t.WriteMetadata); err != nil {
		return err
	}
	return export.WriteFileAtomic(path, func(w io.Writer) error { return t.WriteRows(w, rows) })
}

// removeTable removes a table and its description from dir, if they are there.
func removeTable[T any](dir string, t *export.Table[T]) error {
	path := filepath.Join(dir, t.Name)
	return errors.Join(remove(path), remove(path+export.MetadataSuffix))
}

// remove removes a file, if it is there.
func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// abort drops the tables that were begun and not committed.
func (o *output) abort() {
	if o.profile != nil {
		o.profile.abort()
	}
}
