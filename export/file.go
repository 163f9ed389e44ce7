package export

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// WriteFileAtomic makes path hold what write writes, or leaves path as it was:
// the bytes go to a temporary file in the same folder, are synced, and the
// file is renamed over path. The folder must exist.
func WriteFileAtomic(path string, write func(io.Writer) error) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+".*.tmp")
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
	if err := f.Chmod(0o644); err != nil {
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
