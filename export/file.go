package export

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// WriteFileAtomic makes path hold what write writes, or leaves path as it was:
// the bytes go to a temporary file in the same folder, are synced, and the
// file is renamed over path. The folder must exist. Who may read the file is for
// the user's umask to say, since tables and DICOM objects tell of patients.
//
// Errors: path is something else than a file, such as a folder or a device.
func WriteFileAtomic(path string, write func(io.Writer) error) (err error) {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("export: %s is no file that could be replaced", path)
	}
	dir := filepath.Dir(path)
	f, err := createTemp(dir, filepath.Base(path))
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	b := bufio.NewWriterSize(f, 1<<16)
	if err := write(b); err != nil {
		return err
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := f.Sync(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return syncDir(dir)
}

// createTemp creates a hidden file in dir that no other writer has. os.CreateTemp
// would keep the group out whatever the umask.
func createTemp(dir, name string) (*os.File, error) {
	for {
		path := filepath.Join(dir, fmt.Sprintf(".%s.%08x.tmp", name, rand.Uint32()))
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
	}
}

// syncDir makes a rename in dir outlast a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer d.Close()
	if err := d.Sync(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return nil
}

// WriteJSON writes v as indented JSON and a line feed, the form of run.json.
func WriteJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("export: json: %w", err)
	}
	return nil
}
