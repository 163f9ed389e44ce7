package source

import (
	"bytes"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzDirectory reads damaged DICOMDIRs: no panic, no file outside the folder.
func FuzzDirectory(f *testing.F) {
	record := "\xfe\xff\x00\xe0\xff\xff\xff\xff" + "\x04\x00\x00\x14UL\x04\x00\x00\x00\x00\x00" +
		"\x04\x00\x30\x14CS\x06\x00IMAGE " + "\x04\x00\x00\x15CS\x04\x00A\\B "
	f.Add([]byte(part10(classDirectory) + record))
	f.Add([]byte(part10(classDirectory) + "\x04\x00\x20\x12SQ\x00\x00\xff\xff\xff\xff" + record + record))
	dir := f.TempDir()
	inside := filepath.Join(dir, "medium")
	if err := os.MkdirAll(filepath.Join(inside, "A"), 0o755); err != nil {
		f.Fatal(err)
	}
	for _, name := range []string{"secret", "medium/A/B"} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o644); err != nil {
			f.Fatal(err)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		classify(b[:min(len(b), headBytes)], "DICOMDIR")
		file := filepath.Join(inside, "DICOMDIR")
		if err := os.WriteFile(file, b, 0o644); err != nil {
			t.Fatal(err)
		}
		refs, err := readDirectory(file)
		if err != nil {
			return
		}
		for _, ref := range refs {
			if rel, err := findReferenced(inside, ref); err == nil && !filepath.IsLocal(rel) {
				t.Errorf("file ID %q leads to %s", ref, rel)
			}
		}
	})
}

// FuzzTable reads damaged films.csv files: what it takes lies in the folder.
func FuzzTable(f *testing.F) {
	f.Add([]byte("path,patient,date,side,view,pixel_spacing\na/b.png,HV1,2024-02-29,L,AP,0.1\\0.2\n"))
	f.Add([]byte("\xef\xbb\xbfPath\r\n\"../x\"\r\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		table, err := readTable(bytes.NewReader(b), tableName)
		if err != nil {
			return
		}
		for name, row := range table.rows {
			if !filepath.IsLocal(name) || row.SpacingX < 0 || row.SpacingY < 0 || row.SpacingX != row.SpacingX {
				t.Errorf("took %q: %+v", name, row)
			}
		}
	})
}

// FuzzSafeName: whatever an archive calls its member, the name stays below the
// archive and on one line.
func FuzzSafeName(f *testing.F) {
	f.Add("../../etc/passwd")
	f.Add(`C:\films\a.dcm`)
	f.Add("a\x00/../\xff")
	f.Fuzz(func(t *testing.T, name string) {
		s := SafeName(name)
		if !filepath.IsLocal(s) || path.Clean(s) != s || strings.ContainsAny(s, "\\\n\r\x00:") {
			t.Errorf("SafeName(%q) = %q", name, s)
		}
	})
}
