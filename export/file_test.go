package export

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"pgregory.net/rapid"
)

func TestWriteFileAtomic(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "measurements.csv")
	put := func(s string, fail error) error {
		return WriteFileAtomic(path, func(w io.Writer) error {
			if _, err := io.WriteString(w, s); err != nil {
				return err
			}
			return fail
		})
	}
	if err := put("first", nil); err != nil {
		t.Fatal(err)
	}
	broken := errors.New("broken")
	if err := put("half", broken); !errors.Is(err, broken) {
		t.Errorf("error %v, want the writer's", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "first" {
		t.Errorf("after a failure the file holds %q", b)
	}
	if err := put("second", nil); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(path); string(b) != "second" {
		t.Errorf("the file holds %q", b)
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("%d files left, want 1", len(left))
	}
	if err := WriteFileAtomic(filepath.Join(dir, "none", "x"), func(io.Writer) error { return nil }); err == nil {
		t.Error("no error for a folder that is not there")
	}
}

// The umask decides who may read what is written (POSIX.1-2017, open(): the mode is
// that of creat with the bits of the file mode creation mask cleared).
func TestWriteFileAtomicAsksUmask(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0))
	for mask, want := range map[int]os.FileMode{0o022: 0o644, 0o027: 0o640, 0o077: 0o600} {
		syscall.Umask(mask)
		path := filepath.Join(t.TempDir(), "filled.csv")
		if err := WriteFileAtomic(path, func(io.Writer) error { return nil }); err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(path); err != nil || info.Mode() != want {
			t.Errorf("umask %03o: mode %v, want %v", mask, info.Mode(), want)
		}
	}
}

// A device or a pipe, as /dev/null or /dev/stdout for root, must not be renamed over.
func TestWriteFileAtomicReplacesFilesOnly(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := WriteFileAtomic(path, func(io.Writer) error { return nil }); err == nil {
		t.Error("no error")
	}
	if info, err := os.Lstat(path); err != nil || info.Mode().Type() != os.ModeNamedPipe {
		t.Errorf("the pipe is gone: %v", err)
	}
}

func TestFrameName(t *testing.T) {
	// Hash: printf %s a/b.dcm | sha256sum
	if got, want := FrameName("a/b.dcm", 3), "a_b_dcm-bc27a2b3342996d0-3"; got != want {
		t.Errorf("FrameName = %q, want %q", got, want)
	}
	safe := regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]*$`)
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SliceOfNDistinct(rapid.String(), 2, 2, rapid.ID).Draw(t, "sources")
		a, b := FrameName(s[0], 1), FrameName(s[1], 1)
		if !safe.MatchString(a) || len(a) > 100 {
			t.Fatalf("name %q", a)
		}
		if strings.EqualFold(a, b) {
			t.Fatalf("%q and %q are both %q", s[0], s[1], a)
		}
	})
	if a, b := FrameName("a/b", 1), FrameName("a_b", 1); a == b {
		t.Errorf("a/b and a_b are both %q", a)
	}
	if got := FemurName("x", 1, 2); got != FrameName("x", 1)+"-2" {
		t.Errorf("FemurName = %q", got)
	}
}
