package source

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
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

// A folder that is closed to the program is said and left out; the films beside it
// are listed.
func TestClosedFolder(t *testing.T) {
	root := tree(t, map[string]string{"a.dcm": part10(classDX), "closed/b.dcm": part10(classDX)})
	closed := filepath.Join(root, "closed")
	if err := os.Chmod(closed, 0); err != nil {
		t.Fatal(err)
	}
	defer os.Chmod(closed, 0o755)
	if os.Geteuid() == 0 { // no mode keeps root out: be another user to the file system
		if err := os.Chmod(filepath.Dir(root), 0o755); err != nil {
			t.Fatal(err)
		}
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		if err := syscall.Setfsuid(65534); err != nil {
			t.Skip(err)
		}
		defer syscall.Setfsuid(0)
	}
	l := list(t, root)
	check(t, "films", sources(l), []string{"a.dcm"})
	if len(l.Problems) != 1 || !strings.Contains(l.Problems[0], "folder not read: open "+closed) {
		t.Errorf("problems %q", l.Problems)
	}
}

func TestTooManyBytes(t *testing.T) {
	root := tree(t, map[string]string{"a.dcm": part10(classDX) + strings.Repeat(" ", 1<<20)})
	check(t, "films", sources(list(t, root)), []string{"a.dcm image_too_large"})
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
