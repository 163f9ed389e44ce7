package source

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// tree writes files into a new folder. Names that end in "/" are folders,
// contents that begin with "->" are links.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, content := range files {
		path := filepath.Join(root, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if target, ok := strings.CutPrefix(content, "->"); ok {
			err = os.Symlink(target, path)
		} else {
			err = os.WriteFile(path, []byte(content), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

var options = Options{MaxBytes: 1 << 20, MaxMembers: 1000, LedgerNamed: "ledger.sqlite"}

func list(t *testing.T, srcs ...string) Listing {
	t.Helper()
	l, err := List(t.Context(), srcs, options)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func sources(l Listing) []string {
	var names []string
	for _, f := range l.Files {
		name := f.Source
		if f.Refused != "" {
			name += " " + string(f.Refused)
		}
		names = append(names, name)
	}
	return names
}

func skipped(l Listing) []string {
	var names []string
	for _, s := range l.Skipped {
		names = append(names, s.Path+": "+s.Why)
	}
	return names
}

func check(t *testing.T, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s:\n got %q\nwant %q", what, got, want)
	}
}

// part10 returns the head of a DICOM file of this storage class: preamble,
// prefix and group 0002 of PS3.10 §7.1.
func part10(class string) string {
	if len(class)%2 == 1 {
		class += "\x00"
	}
	var b bytes.Buffer
	b.Write(make([]byte, 128))
	b.WriteString("DICM")
	b.WriteString("\x02\x00\x00\x00UL\x04\x00\x00\x00\x00\x00")
	b.WriteString("\x02\x00\x01\x00OB\x00\x00\x02\x00\x00\x00\x00\x01")
	b.WriteString("\x02\x00\x02\x00UI")
	binary.Write(&b, binary.LittleEndian, uint16(len(class)))
	b.WriteString(class)
	return b.String()
}

// Storage classes of PS3.4 Annex B.
const (
	classDX = "1.2.840.10008.5.1.4.1.1.1.1"
	classSR = "1.2.840.10008.5.1.4.1.1.88.22"
)

func TestFolder(t *testing.T) {
	root := tree(t, map[string]string{
		"b/IM1":             part10(classDX),
		"b/IM10":            part10(classDX),
		"b/IM2":             part10(classDX),
		"a/film.weird":      part10(classDX), // by content, not by name
		"a/report":          part10(classSR),
		"a/notes.txt":       "words",
		"a/README":          "words without an extension",
		"a/list.csv":        "a,b\n",
		"a/damaged.dcm":     "words that are no film",
		"a/IM0007":          "\x00\x01\x02 no text, no extension",
		"a/1.2.840.7":       "\x00\x01\x02 named by a UID",
		"a/empty.dcm":       "",
		"a/.hidden":         "\x00\x01",
		"p/x.png":           "\x89PNG\r\n\x1a\n",
		"p/x.jpg":           "\xff\xd8\xff\xe0",
		"p/x.TIF":           "II*\x00",
		"p/y.tif":           "MM\x00*",
		"p/._x.png":         "\x00\x05\x16\x07\x00\x02\x00\x00", // AppleDouble
		"old/bare":          "\x08\x00\x05\x00\x0a\x00\x00\x00ISO_IR 100",
		"out/ledger.sqlite": "", "out/overlays/x.png": "\x89PNG\r\n\x1a\n",
	})
	l := list(t, root)
	check(t, "films", sources(l), []string{
		"a/1.2.840.7", "a/IM0007", "a/damaged.dcm", "a/empty.dcm", "a/film.weird",
		"b/IM1", "b/IM10", "b/IM2", "old/bare", "p/x.TIF", "p/x.jpg", "p/x.png", "p/y.tif"})
	check(t, "skipped", skipped(l), []string{
		"a/.hidden: no film by content (.hidden)", "a/README: no film by content",
		"a/list.csv: no film by content (.csv)", "a/notes.txt: no film by content (.txt)",
		"a/report: DICOM object without a picture",
		"out: output folder of another run", "p/._x.png: file attributes"})
	for _, f := range l.Files {
		if f.Path != filepath.Join(root, filepath.FromSlash(f.Source)) || f.Member != "" {
			t.Errorf("%s lies at %s %s", f.Source, f.Path, f.Member)
		}
	}
}

// Names of old systems, with umlauts in Latin-1, are shown in UTF-8 and opened as
// they are.
func TestNamesInLatin1(t *testing.T) {
	root := tree(t, map[string]string{"m\xfcller.dcm": part10(classDX), "m\u00fcller.dcm": part10(classDX)})
	l := list(t, root)
	if got, want := sources(l), []string{"m\u00fcller.dcm", `m\xFCller.dcm`}; !slices.Equal(got, want) {
		t.Fatalf("%q, want %q", got, want)
	}
	if _, err := os.Stat(l.Files[1].Path); err != nil {
		t.Error(err)
	}
}

func TestLinks(t *testing.T) {
	outside := tree(t, map[string]string{"secret.dcm": part10(classDX), "more/film.dcm": part10(classDX)})
	root := tree(t, map[string]string{
		"a/film.dcm":    part10(classDX),
		"in.dcm":        "->a/film.dcm",
		"out.dcm":       "->" + filepath.Join(outside, "secret.dcm"),
		"outfolder":     "->" + outside,
		"up.dcm":        "->../" + filepath.Base(outside) + "/secret.dcm",
		"infolder":      "->a",
		"a/loop":        "->..",
		"broken.dcm":    "->nothing",
		"selfish":       "->selfish",
		"hop.dcm":       "->outfolder/secret.dcm",
		"absolute-null": "->/dev/null",
	})
	if err := syscall.Mkfifo(filepath.Join(root, "pipe.dcm"), 0o644); err != nil {
		t.Fatal(err)
	}
	l := list(t, root)
	check(t, "films", sources(l), []string{"a/film.dcm", "in.dcm"})
	check(t, "skipped", skipped(l), []string{
		"a/loop: link to a folder", "absolute-null: link out of the root", "broken.dcm: link to nothing",
		"hop.dcm: link out of the root", "infolder: link to a folder", "out.dcm: link out of the root",
		"outfolder: link out of the root", "pipe.dcm: not a regular file", "selfish: link to nothing",
		"up.dcm: link out of the root"})

	// A root that is itself a link is the user's word.
	link := filepath.Join(t.TempDir(), "films")
	if err := os.Symlink(root, link); err != nil {
		t.Fatal(err)
	}
	check(t, "films of a linked root", sources(list(t, link)), []string{"a/film.dcm", "in.dcm"})
}

func TestSeveralSources(t *testing.T) {
	one := tree(t, map[string]string{"x/films/a.dcm": part10(classDX), "y/films/a.dcm": part10(classDX), "n.txt": "words", "z.dcm": part10(classDX)})
	l := list(t, filepath.Join(one, "z.dcm"), filepath.Join(one, "n.txt"), filepath.Join(one, "x"), filepath.Join(one, "z.dcm"))
	check(t, "films", sources(l), []string{"z.dcm", "n.txt", "x/films/a.dcm"}) // a file named by hand always has a row, once
	t.Chdir(one)
	l = list(t, "x/films", "y/films")
	check(t, "films of two folders of one name", sources(l), []string{"x/films/a.dcm", "y/films/a.dcm"})
	check(t, "a single file", sources(list(t, "x/films/a.dcm")), []string{"a.dcm"})
}

func TestExcludedAndMissing(t *testing.T) {
	root := tree(t, map[string]string{"a.dcm": part10(classDX), "out/overlays/a.png": "\x89PNG\r\n\x1a\n"})
	o := options
	o.Exclude = filepath.Join(root, "out")
	l, err := List(t.Context(), []string{root}, o)
	if err != nil {
		t.Fatal(err)
	}
	check(t, "films", sources(l), []string{"a.dcm"})
	if _, err := List(t.Context(), []string{filepath.Join(root, "nothing")}, options); err == nil {
		t.Error("no error for a source that is not there")
	}
}

func TestTooManyBytes(t *testing.T) {
	root := tree(t, map[string]string{"a.dcm": part10(classDX) + strings.Repeat(" ", 1<<20)})
	check(t, "films", sources(list(t, root)), []string{"a.dcm image_too_large"})
}

func TestTable(t *testing.T) {
	root := tree(t, map[string]string{
		"films.csv": "path,patient,date,side,view,pixel_spacing\n" +
			"a.png,HV 1,2024-03-01,r,ap,0.15\n" +
			`sub/b.png,HV 2,20240302,L,LAT,0.2\0.1` + "\n" +
			"gone.png,,,,,\n" +
			"words.txt,,,,,\n",
		"a.png":         "\x89PNG\r\n\x1a\n",
		"sub/b.png":     "\x89PNG\r\n\x1a\n",
		"sub/c.png":     "\x89PNG\r\n\x1a\n",
		"sub/films.csv": "side,path\nR,c.png\n",
		"words.txt":     "words",
	})
	l := list(t, root)
	check(t, "films", sources(l), []string{"a.png", "sub/b.png", "sub/c.png", "words.txt", "gone.png unreadable_file"})
	want := []job.Beside{
		{Patient: "HV 1", Date: "20240301", Side: "R", View: "AP", SpacingX: 0.15, SpacingY: 0.15},
		{Patient: "HV 2", Date: "20240302", Side: "L", View: "LAT", SpacingX: 0.1, SpacingY: 0.2}, // row, then column: PS3.3 §10.7.1.3
		{Side: "R"}, {}, {},
	}
	for i, f := range l.Files {
		if f.Beside != want[i] {
			t.Errorf("%s: %+v, want %+v", f.Source, f.Beside, want[i])
		}
	}
	if l := list(t, filepath.Join(root, "a.png")); l.Files[0].Beside != want[0] {
		t.Errorf("a film given by itself: %+v", l.Files[0].Beside)
	}
}

func TestBadTable(t *testing.T) {
	for name, text := range map[string]string{
		"empty":          "",
		"no path":        "side\nR\n",
		"unknown column": "path,colour\na.png,red\n",
		"column twice":   "path,side,side\na.png,R,L\n",
		"ragged":         "path,side\na.png\n",
		"escape":         "path\n../a.png\n",
		"absolute":       "path\n/etc/passwd\n",
		"twice":          "path\na.png\n./a.png\n",
		"side":           "path,side\na.png,left\n",
		"view":           "path,view\na.png,PA?\n",
		"date":           "path,date\na.png,2024-02-30\n",
		"spacing":        "path,pixel_spacing\na.png,0\n",
		"no number":      "path,pixel_spacing\na.png,NaN\n",
	} {
		t.Run(name, func(t *testing.T) {
			root := tree(t, map[string]string{"a.png": "\x89PNG\r\n\x1a\n", "films.csv": text})
			if _, err := List(t.Context(), []string{root}, options); err == nil {
				t.Error("no error")
			} else if !strings.HasPrefix(err.Error(), "source: ") {
				t.Errorf("error %q", err)
			}
		})
	}
}

// zipped writes an archive of these members, in this order.
func zipped(t *testing.T, members ...[2]string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "films.zip")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := zip.NewWriter(f)
	for _, m := range members {
		to, err := w.Create(m[0])
		if err == nil {
			_, err = io.WriteString(to, m[1])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestArchive(t *testing.T) {
	film := part10(classDX)
	path := zipped(t,
		[2]string{"b/2.dcm", film}, [2]string{"b/1.dcm", film}, [2]string{"readme.txt", "words"},
		[2]string{"../../etc/evil.dcm", film}, [2]string{"/abs.dcm", film}, [2]string{`win\dir\c.dcm`, film},
		[2]string{"inner.zip", "PK\x03\x04"}, [2]string{"b/1.dcm", film},
		[2]string{"p/films.csv", "path,side\nx.png,L\ngone.png,R\n"}, [2]string{"p/x.png", "\x89PNG\r\n\x1a\n"},
		[2]string{"new\nline.dcm", film}, [2]string{"big.dcm", film + strings.Repeat("\x00", 2<<20)})
	l := list(t, path)
	check(t, "films", sources(l), []string{
		"films.zip/b/2.dcm", "films.zip/b/1.dcm", "films.zip/etc/evil.dcm", "films.zip/abs.dcm", "films.zip/win/dir/c.dcm",
		"films.zip/b/1.dcm (2) unreadable_file", "films.zip/p/x.png", "films.zip/new_line.dcm",
		"films.zip/big.dcm unreadable_file", "films.zip/p/gone.png unreadable_file"})
	check(t, "skipped", skipped(l), []string{
		"films.zip/readme.txt: no film by content (.txt)", "films.zip/inner.zip: archive inside an archive",
		"films.zip/p/films.csv: no film by content (.csv)"})
	if m := l.Files[2].Member; m != "../../etc/evil.dcm" {
		t.Errorf("member %q, want its stored name", m)
	}
	if s := l.Files[6].Beside.Side; s != "L" {
		t.Errorf("side %q from films.csv in the archive", s)
	}

	root := tree(t, map[string]string{"x/y.txt": ""})
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(root, "x", "in.zip"), b, 0o644); err != nil {
		t.Fatal(err)
	}
	if got := sources(list(t, root))[0]; got != "x/in.zip/b/2.dcm" {
		t.Errorf("a film of an archive in a folder is called %q", got)
	}
}

// TestHostileArchives: damaged archives and bombs get a row and cost nothing.
func TestHostileArchives(t *testing.T) {
	whole, err := os.ReadFile(zipped(t, [2]string{"a.dcm", part10(classDX)}))
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{
		"truncated":   whole[:len(whole)-30],
		"empty":       {},
		"overlapping": overlapping(200, 64<<10),
		"claims":      claiming(1 << 40),
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "bomb.zip")
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
			l := list(t, path)
			if len(l.Files) != 1 || l.Files[0].Refused != measure.UnreadableFile {
				t.Errorf("%q", sources(l))
			}
		})
	}
	t.Run("many members", func(t *testing.T) {
		var members [][2]string
		for i := range options.MaxMembers + 1 {
			members = append(members, [2]string{fmt.Sprint(i), ""})
		}
		l := list(t, zipped(t, members...))
		check(t, "films", sources(l), []string{"films.zip unreadable_file"})
	})
}

// overlapping returns an archive of n members that all unpack the same bytes:
// the idea of D. Fifield, "A better zip bomb", WOOT 2019, without its quoting.
func overlapping(n, size int) []byte {
	kernel := make([]byte, size)
	var b bytes.Buffer
	header := func(sig uint32, name string, central bool) {
		binary.Write(&b, binary.LittleEndian, sig)
		if central {
			binary.Write(&b, binary.LittleEndian, uint16(20))
		}
		binary.Write(&b, binary.LittleEndian, [5]uint16{20, 0, 0, 0, 0})
		binary.Write(&b, binary.LittleEndian, [3]uint32{crc32.ChecksumIEEE(kernel), uint32(size), uint32(size)})
		binary.Write(&b, binary.LittleEndian, [2]uint16{uint16(len(name)), 0})
		if central {
			binary.Write(&b, binary.LittleEndian, [3]uint16{})
			binary.Write(&b, binary.LittleEndian, [2]uint32{0, 0})
		}
		b.WriteString(name)
	}
	header(0x04034b50, "00000.dcm", false)
	b.Write(kernel)
	start := b.Len()
	for i := range n {
		header(0x02014b50, fmt.Sprintf("%05d.dcm", i), true)
	}
	length := b.Len() - start
	binary.Write(&b, binary.LittleEndian, uint32(0x06054b50))
	binary.Write(&b, binary.LittleEndian, [4]uint16{0, 0, uint16(n), uint16(n)})
	binary.Write(&b, binary.LittleEndian, [2]uint32{uint32(length), uint32(start)})
	binary.Write(&b, binary.LittleEndian, uint16(0))
	return b.Bytes()
}

// claiming returns an archive of one member that says it unpacks to size bytes.
func claiming(size uint64) []byte {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	h := &zip.FileHeader{Name: "a.dcm", Method: zip.Deflate, UncompressedSize64: size, CompressedSize64: 2}
	to, err := w.CreateRaw(h)
	if err == nil {
		_, err = to.Write([]byte{3, 0}) // an empty DEFLATE stream
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		panic(err)
	}
	return b.Bytes()
}

// dump is a film for dump2dcm.
const dump = `(0008,0005) CS [ISO_IR 100]
(0008,0016) UI =ComputedRadiographyImageStorage
(0008,0018) UI [1.2.826.0.1.3680043.10.1143.%[1]d]
(0008,0020) DA [20240101]
(0008,0030) TM [120000]
(0008,0060) CS [CR]
(0010,0010) PN [Vale^Harrow]
(0010,0020) LO [HV1]
(0020,000d) UI [1.2.826.0.1.3680043.10.1143.100]
(0020,000e) UI [1.2.826.0.1.3680043.10.1143.101]
(0020,0010) SH [1]
(0020,0011) IS [1]
(0020,0013) IS [%[1]d]
(0028,0002) US 1
(0028,0004) CS [MONOCHROME2]
(0028,0010) US 1
(0028,0011) US 2
(0028,0100) US 8
(0028,0101) US 8
(0028,0102) US 7
(0028,0103) US 0
(7fe0,0010) OB 01\02
`

// dcmtk runs one of dcmtk's programs, version 3.6.7 in Debian 12.
func dcmtk(t *testing.T, dir, name string, args ...string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skip("needs the package dcmtk")
	}
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", name, err, out)
	}
}

// TestDirectory lists what a DICOMDIR that dcmmkdir wrote refers to.
func TestDirectory(t *testing.T) {
	root := tree(t, map[string]string{"STUDY1/x": "", "STUDY2/x": ""})
	for i, name := range []string{"STUDY1/IM1", "STUDY1/IM2", "STUDY2/IM3"} {
		path := filepath.Join(t.TempDir(), "film.txt")
		if err := os.WriteFile(path, fmt.Appendf(nil, dump, i+1), 0o644); err != nil {
			t.Fatal(err)
		}
		dcmtk(t, root, "dump2dcm", "-q", path, name)
	}
	dcmtk(t, root, "dcmmkdir", "+r", "+id", ".", "+D", "DICOMDIR", "STUDY1/IM1", "STUDY1/IM2", "STUDY2/IM3")
	dir := filepath.Join(root, "DICOMDIR")
	check(t, "films", sources(list(t, dir)), []string{"STUDY1/IM1", "STUDY1/IM2", "STUDY2/IM3"})
	check(t, "films of two sources", sources(list(t, dir, filepath.Join(root, "STUDY1", "x"))), []string{"STUDY1/IM1", "STUDY1/IM2", "STUDY2/IM3", "x"})

	// Media are copied by systems that change names; a film is removed; one is
	// replaced by a link that leads out.
	rename := func(from, to string) {
		t.Helper()
		if err := os.Rename(filepath.Join(root, from), filepath.Join(root, to)); err != nil {
			t.Fatal(err)
		}
	}
	rename("STUDY1/IM1", "STUDY1/im1.;1")
	rename("STUDY2", "study2")
	outside := tree(t, map[string]string{"IM3": part10(classDX)})
	if err := os.Remove(filepath.Join(root, "STUDY1", "IM2")); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(root, "study2", "IM3")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(outside, "IM3"), filepath.Join(root, "study2", "IM3")); err != nil {
		t.Fatal(err)
	}
	check(t, "films", sources(list(t, dir)), []string{"STUDY1/im1.;1", "STUDY1/IM2 unreadable_file", "STUDY2/IM3 unreadable_file"})
	l := list(t, root)
	if got := sources(l); !slices.Contains(got, "STUDY1/IM2 unreadable_file") {
		t.Errorf("the walk of a medium lost a film that its DICOMDIR names: %q", got)
	}
}

func TestHostileDirectories(t *testing.T) {
	record := func(id string) string {
		if len(id)%2 == 1 {
			id += " "
		}
		return "\xfe\xff\x00\xe0\xff\xff\xff\xff" +
			"\x04\x00\x00\x14UL\x04\x00\x00\x00\x00\x00" + "\x04\x00\x10\x14US\x02\x00\xff\xff" +
			"\x04\x00\x30\x14CS\x06\x00IMAGE " + "\x04\x00\x00\x15CS" + string([]byte{byte(len(id)), 0}) + id
	}
	for _, id := range []string{`..\secret`, `A\..\..\secret`, `/etc/passwd`, `.`, `A\\B`, ``} {
		root := tree(t, map[string]string{"DICOMDIR": part10(classDirectory) + record(id), "A/B": part10(classDX)})
		l := list(t, filepath.Join(root, "DICOMDIR"))
		if len(l.Files) != 1 || l.Files[0].Refused != measure.UnreadableFile || strings.Contains(l.Files[0].Source, "..") {
			t.Errorf("file ID %q: %q", id, sources(l))
		}
	}
	for name, tail := range map[string]string{
		"nothing": "", "cut": record(`A\B`)[:30], "forged length": "\x04\x00\x20\x12SQ\x00\x00\xff\xff\xff\xff\x04\x00\x00\x15UN\x00\x00\xff\xff\xff\xffA",
	} {
		root := tree(t, map[string]string{"DICOMDIR": part10(classDirectory) + tail})
		check(t, name, sources(list(t, filepath.Join(root, "DICOMDIR"))), []string{"DICOMDIR unreadable_file"})
	}
}

func TestSafeName(t *testing.T) {
	for in, want := range map[string]string{
		"a/b": "a/b", "../a": "a", "/a": "a", `..\..\a`: "a", "a/../../b": "b", "": "_", ".": "_", "..": "_",
		"C:/x": "C_/x", "a\x00b": "a_b", "a//b": "a/b", "\xff": "_",
	} {
		if got := SafeName(in); got != want {
			t.Errorf("SafeName(%q) = %q, want %q", in, got, want)
		}
	}
}
