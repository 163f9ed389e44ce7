package source

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
)

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

// An archive whose films.csv cannot be read has a row, and does not end the run of
// the others; one that cannot be understood does, in an archive as in a folder.
func TestTablesInArchives(t *testing.T) {
	whole, err := os.ReadFile(zipped(t, [2]string{"films.csv", "path,side\na.dcm,L\n"}, [2]string{"a.dcm", part10(classDX)}))
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytes.Clone(whole)
	damaged[30+len("films.csv")+4] ^= 0xff // after the local header (APPNOTE.TXT 4.3.7): within the data
	encrypted := bytes.Clone(whole)
	central := bytes.Index(encrypted, []byte("PK\x01\x02"))
	encrypted[central+8] |= 1 // the central header's flags (4.3.12, 4.4.4)
	for name, b := range map[string][]byte{"damaged": damaged, "encrypted": encrypted} {
		path := filepath.Join(t.TempDir(), "films.zip")
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		l, err := List(t.Context(), []string{path}, options)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		check(t, name, sources(l), []string{"films.zip unreadable_file"})
	}
	if _, err := List(t.Context(), []string{zipped(t, [2]string{"films.csv", "no,such,columns\n"})}, options); err == nil {
		t.Error("no error for a films.csv of other columns")
	}
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
