package source

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"shaftgauge/measure"
)

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
