package dicomfile

import (
	"archive/zip"
	"bufio"
	"compress/flate"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"shaftgauge/pipeline/simulate"
)

// TruthFile is the name of the truth in an archive's root.
const TruthFile = "truth.json"

// ArchiveTruth is what truth.json holds.
type ArchiveTruth struct {
	Seed  uint64      `json:"seed"`
	Films []FilmTruth `json:"films"`
}

// FilmTruth is the truth of one file of an archive.
type FilmTruth struct {
	Source      string         `json:"source"` // path below the root, slash-separated; a member's name follows its .zip's
	InstanceUID string         `json:"instance_uid"`
	Object      string         `json:"object"`
	Syntax      Syntax         `json:"transfer_syntax"`
	Lossy       bool           `json:"lossy"`
	Frames      int            `json:"frames"` // all show the same
	Rows        int            `json:"rows"`
	Cols        int            `json:"cols"`
	Bits        int            `json:"bits_stored"`
	Signed      bool           `json:"signed"`
	Monochrome1 bool           `json:"monochrome1"`
	Padding     int            `json:"padding_px"` // width of the padded rim
	Truth       simulate.Truth `json:"truth"`
}

// ArchiveOptions say how an archive is made. The zero value is fit for use.
type ArchiveOptions struct {
	Workers int    // films made at once; 0: one a core
	Done    func() // called after each film, from several goroutines; may be nil
	Syntax  Syntax // of every film that it fits; empty: a mix
	Plain   bool   // all files in plain folders: no .zip, no disc
}

// WriteArchive fills dir, which must be new or empty, with an archive of that
// many films and truth.json. film(i), for i from 0, makes each; it is called
// from several goroutines and must give the same film for the same i.
//
// Most films lie at PATIENT/STUDY DATE/; those of some patients in
// transfer/PATIENT.zip, of others in disc/, a file set with its DICOMDIR. Names
// may lack an extension. Transfer syntax and sample layout are drawn for each
// film from seed; about one film in fourteen is stored with loss. The same
// arguments give the same files, byte by byte, whatever Workers is.
//
// Errors: dir is not empty, a film cannot be made or stored, ctx is done. What
// was written until then stays; truth.json comes last.
func WriteArchive(ctx context.Context, dir string, seed uint64, films int, film func(i int) (simulate.Film, error), o ArchiveOptions) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	if entries, err := os.ReadDir(dir); err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	} else if len(entries) > 0 {
		return fmt.Errorf("dicomfile: %s is not empty", dir)
	}
	stored := make([]storedFilm, films)
	g, inner := errgroup.WithContext(ctx)
	if o.Workers < 1 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	g.SetLimit(o.Workers)
	for i := range films {
		g.Go(func() (err error) {
			if inner.Err() != nil {
				return nil // the cause is returned below
			}
			f, err := film(i)
			if err != nil {
				return fmt.Errorf("dicomfile: film %d: %w", i, err)
			}
			if stored[i], err = storeFilm(dir, seed, i, f, o); err != nil {
				return fmt.Errorf("dicomfile: film %d: %w", i, err)
			}
			if o.Done != nil {
				o.Done()
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	if err := packZips(dir, stored); err != nil {
		return err
	}
	if err := packDisc(dir, stored); err != nil {
		return err
	}
	truth := ArchiveTruth{Seed: seed, Films: make([]FilmTruth, films)}
	for i, s := range stored {
		truth.Films[i] = s.truth
	}
	return writeTruth(filepath.Join(dir, TruthFile), truth)
}

// ReadTruth reads what WriteArchive left in truth.json.
func ReadTruth(r io.Reader) (ArchiveTruth, error) {
	var t ArchiveTruth
	if err := json.NewDecoder(r).Decode(&t); err != nil {
		return t, fmt.Errorf("dicomfile: truth: %w", err)
	}
	return t, nil
}

func writeTruth(name string, truth ArchiveTruth) error {
	return writeFile(name, func(w io.Writer) error { return json.NewEncoder(w).Encode(truth) })
}

// storedFilm is a film on disk.
type storedFilm struct {
	truth FilmTruth
	facts simulate.Facts
	class string
	place place
}

// place is where a patient's films lie.
type place int

const (
	folder place = iota
	zipped
	disc
)

// placeOf draws a place by patient, so that a patient's films stay together.
func placeOf(seed uint64, patient string) place {
	h := fnv.New64a()
	fmt.Fprint(h, seed, patient)
	switch n := rand.New(rand.NewPCG(h.Sum64(), seed)).IntN(20); {
	case n < 3:
		return zipped
	case n < 5:
		return disc
	}
	return folder
}

// layoutStream keeps the numbers drawn here apart from those that film(i) may
// draw from the same seed.
const layoutStream = 0x6C61796F7574

// storeFilm writes film i below dir.
func storeFilm(dir string, seed uint64, i int, f simulate.Film, o ArchiveOptions) (storedFilm, error) {
	rng := rand.New(rand.NewPCG(seed^layoutStream, uint64(i)))
	syntax, layout := drawLayout(rng, f)
	if o.Syntax != "" && o.Syntax.Fits(f.Bits) {
		syntax, layout = o.Syntax, Options{}
	}
	s := storedFilm{facts: f.Facts, class: sopClasses[f.Facts.Object]}
	if !o.Plain {
		s.place = placeOf(seed, f.Facts.PatientID)
	}
	extension := []string{".dcm", ".dcm", "", ".DCM", ".img"}[rng.IntN(5)]
	patient, study := fileName(f.Facts.PatientID), fileName(f.Facts.StudyDate)
	var rel string
	switch s.place {
	case disc: // file ID components have at most 8 characters (PS3.10 8.2)
		rel = fmt.Sprintf("disc/FILMS/IM%06d", i+1)
	case zipped:
		rel = fmt.Sprintf("transfer/%s/%s/film-%06d%s", patient, study, i+1, extension)
	default:
		rel = fmt.Sprintf("%s/%s/film-%06d%s", patient, study, i+1, extension)
	}
	s.truth = FilmTruth{
		Source: rel, InstanceUID: f.Facts.InstanceUID, Object: string(f.Facts.Object),
		Syntax: syntax, Lossy: syntax.Lossy(), Frames: 1 + len(layout.MoreFrames),
		Rows: f.Rows, Cols: f.Cols, Bits: f.Bits, Signed: layout.Signed,
		Monochrome1: f.Monochrome1, Padding: layout.PaddingBorder, Truth: f.Truth,
	}
	name := filepath.Join(dir, filepath.FromSlash(rel))
	return s, writeFile(name, func(w io.Writer) error { return Write(w, f, syntax, layout) })
}

// fileName returns s with all but letters, digits, '-' and '_' replaced.
func fileName(s string) string {
	if s == "" {
		return "unknown"
	}
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, s)
}

// syntaxWeights is how often an archive has each syntax, relative to the others
// that fit a film. No source: a mix in which each occurs and loss is rare.
var syntaxWeights = []struct {
	syntax Syntax
	weight int
}{
	{ExplicitLittleEndian, 24}, {ImplicitLittleEndian, 14}, {JPEGLosslessSV1, 18},
	{JPEG2000Lossless, 10}, {JPEGLSLossless, 8}, {RLELossless, 6}, {JPEGLossless, 5},
	{DeflatedLittleEndian, 4}, {ExplicitBigEndian, 3},
	{JPEGBaseline, 8}, {JPEGExtended, 6}, {JPEGLSNearLossless, 2}, {JPEG2000, 2},
}

// drawLayout draws how a film is stored.
func drawLayout(rng *rand.Rand, f simulate.Film) (Syntax, Options) {
	total := 0
	for _, s := range syntaxWeights {
		if s.syntax.Fits(f.Bits) {
			total += s.weight
		}
	}
	var syntax Syntax
	n := rng.IntN(total)
	for _, s := range syntaxWeights {
		if !s.syntax.Fits(f.Bits) {
			continue
		}
		if n -= s.weight; n < 0 {
			syntax = s.syntax
			break
		}
	}
	o := Options{UndefinedLengths: rng.IntN(3) == 0, Predictor: 1 + rng.IntN(7)}
	rescalable := f.Facts.Object == simulate.ComputedRadiography || f.Facts.Object == simulate.SecondaryCapture
	switch k := rng.IntN(20); {
	case k < 2 && rescalable && !syntax.Lossy():
		o.Signed = true
	case k < 4 && rescalable:
		o.RescaleSlope, o.RescaleIntercept = 0.5, -100
	case k < 6 && (syntax.Native() || syntax == RLELossless):
		o.BitsAllocated = 16
	}
	if rng.IntN(12) == 0 && !syntax.Lossy() {
		o.PaddingBorder = 1 + rng.IntN(3)
	}
	if syntax == JPEG2000 {
		o.StepExponent = rng.IntN(min(4, f.Bits-2))
	}
	if f.Facts.Object == simulate.Fluoroscopy && rng.IntN(4) == 0 {
		o.MoreFrames = [][]uint16{f.Pixels}
	}
	return syntax, o
}

// packZips moves the films of each patient of transfer/ into one .zip.
func packZips(dir string, stored []storedFilm) error {
	byZip := map[string][]*FilmTruth{}
	for i := range stored {
		if stored[i].place == zipped {
			patient, _, _ := strings.Cut(strings.TrimPrefix(stored[i].truth.Source, "transfer/"), "/")
			name := path.Join("transfer", patient+".zip")
			byZip[name] = append(byZip[name], &stored[i].truth)
		}
	}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for name, films := range byZip {
		g.Go(func() error {
			loose := strings.TrimSuffix(name, ".zip")
			if err := writeFile(filepath.Join(dir, name), func(w io.Writer) error {
				return zipFilms(w, dir, loose, films)
			}); err != nil {
				return err
			}
			if err := os.RemoveAll(filepath.Join(dir, loose)); err != nil {
				return fmt.Errorf("dicomfile: %w", err)
			}
			for _, f := range films {
				f.Source = name + strings.TrimPrefix(f.Source, loose)
			}
			return nil
		})
	}
	return g.Wait()
}

// zipFilms writes an archive of films, which lie below loose, without times.
func zipFilms(w io.Writer, dir, loose string, films []*FilmTruth) error {
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) {
		return flate.NewWriter(w, flate.BestSpeed)
	})
	for _, f := range films {
		member, err := z.CreateHeader(&zip.FileHeader{
			Name:   strings.TrimPrefix(f.Source, loose+"/"),
			Method: zip.Deflate,
		})
		if err != nil {
			return err
		}
		if err := copyFile(member, filepath.Join(dir, f.Source)); err != nil {
			return err
		}
	}
	return z.Close()
}

func copyFile(w io.Writer, name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(w, f)
	return err
}

// packDisc writes the DICOMDIR of disc/.
func packDisc(dir string, stored []storedFilm) error {
	onDisc := slices.DeleteFunc(slices.Clone(stored), func(s storedFilm) bool { return s.place != disc })
	if len(onDisc) == 0 {
		return nil
	}
	return writeFile(filepath.Join(dir, "disc", "DICOMDIR"), func(w io.Writer) error {
		_, err := w.Write(directory(onDisc))
		return err
	})
}

// writeFile creates name and its folders and fills it by write.
func writeFile(name string, write func(io.Writer) error) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("dicomfile: %w", err)
	}
	b := bufio.NewWriter(f)
	return errors.Join(write(b), b.Flush(), f.Close())
}
