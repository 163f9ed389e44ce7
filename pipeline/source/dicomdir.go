package source

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"

	"shaftgauge/measure"
)

// maxDirectoryBytes bounds a DICOMDIR: about 500 bytes a film.
const maxDirectoryBytes = 256 << 20

// element is a data element of an explicit little endian stream.
type element struct {
	group, element uint16
	value          []byte
}

// elements yields the data elements of b in order, explicit VR little endian.
// Sequences and items are stepped into, not over, so those within come in file
// order too. It ends at the first element that does not fit in b.
//
// Source: DICOM PS3.5 §7.1.2, §7.5.
func elements(b []byte) iter.Seq[element] {
	return func(yield func(element) bool) {
		for len(b) >= 8 {
			e := element{group: binary.LittleEndian.Uint16(b), element: binary.LittleEndian.Uint16(b[2:])}
			if e.group == 0xfffe { // item, item end, sequence end
				b = b[8:]
				continue
			}
			head, n := 8, uint64(binary.LittleEndian.Uint16(b[6:]))
			switch vr := string(b[4:6]); vr {
			case "OB", "OD", "OF", "OL", "OV", "OW", "SQ", "SV", "UC", "UN", "UR", "UT", "UV":
				if len(b) < 12 {
					return
				}
				head, n = 12, uint64(binary.LittleEndian.Uint32(b[8:]))
				if vr == "SQ" {
					n = 0
				}
			}
			if n > uint64(len(b)-head) {
				return
			}
			e.value = b[head : head+int(n)]
			if !yield(e) {
				return
			}
			b = b[head+int(n):]
		}
	}
}

// readDirectory returns the file IDs that the image records in use of the
// DICOMDIR at path refer to, in file order, each as its components.
//
// Source: DICOM PS3.3 §F.3.2 (basic directory module), PS3.10 §8.
func readDirectory(path string) ([][]string, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("source: DICOMDIR: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxDirectoryBytes+1))
	if err != nil {
		return nil, fmt.Errorf("source: DICOMDIR: %w", err)
	}
	if len(b) < 132 || len(b) > maxDirectoryBytes {
		return nil, fmt.Errorf("source: DICOMDIR: %s: %d bytes", path, len(b))
	}
	var refs [][]string
	var kind string
	inUse := false
	records := 0
	for e := range elements(b[132:]) {
		if e.group != 0x0004 {
			continue
		}
		switch e.element {
		case 0x1400: // Offset of the Next Directory Record: each record begins with it
			kind, inUse = "", true
			records++
		case 0x1410: // Record In-use Flag
			inUse = len(e.value) != 2 || binary.LittleEndian.Uint16(e.value) != 0
		case 0x1430: // Directory Record Type
			kind = strings.TrimRight(string(e.value), " \x00")
		case 0x1500: // Referenced File ID
			if inUse && kind == "IMAGE" {
				refs = append(refs, strings.Split(strings.TrimRight(string(e.value), " \x00"), `\`))
			}
		}
	}
	if records == 0 {
		return nil, fmt.Errorf("source: DICOMDIR: %s: no directory records", path)
	}
	return refs, nil
}

// directory lists the films that a DICOMDIR refers to, in its order, named
// relative to its folder.
func (l *lister) directory(ctx context.Context, path, prefix string) error {
	if prefix != "" {
		prefix = filepath.ToSlash(filepath.Dir(prefix))
		if prefix == "." {
			prefix = ""
		}
	}
	refs, err := readDirectory(path)
	if err == nil && len(refs) == 0 {
		err = fmt.Errorf("source: DICOMDIR: %s: no image records", path)
	}
	if err != nil {
		l.put(File{Path: path, Source: join(prefix, filepath.Base(path)), Refused: measure.UnreadableFile, Detail: err.Error()})
		return nil
	}
	dir := filepath.Dir(path)
	for _, ref := range refs {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("source: %w", err)
		}
		rel, err := findReferenced(dir, ref)
		if err != nil {
			name := SafeName(strings.Join(ref, "/"))
			l.put(File{Path: filepath.Join(dir, name), Source: join(prefix, name), Refused: measure.UnreadableFile, Detail: err.Error()})
			continue
		}
		l.put(File{Path: filepath.Join(dir, rel), Source: join(prefix, filepath.ToSlash(rel))})
	}
	return nil
}

// findReferenced returns the path, relative to dir, of the regular file with
// this file ID. Components match whatever their case and with the version
// suffix or full stop that ISO 9660 adds, since media are copied by systems
// that rename so. The file never lies outside dir, links included.
func findReferenced(dir string, id []string) (string, error) {
	if len(id) == 0 {
		return "", fmt.Errorf("source: DICOMDIR: empty file ID")
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return "", fmt.Errorf("source: DICOMDIR: %w", err)
	}
	defer root.Close()
	rel := "."
	for _, part := range id {
		if part == "" || part == "." || part == ".." || strings.ContainsAny(part, "/\\\x00") {
			return "", fmt.Errorf("source: DICOMDIR: file ID %q leads out of the folder", strings.Join(id, `\`))
		}
		name, err := entryLike(root, rel, part)
		if err != nil {
			return "", err
		}
		rel = filepath.Join(rel, name)
	}
	info, err := root.Stat(rel) // follows links, never out of dir
	if err != nil {
		return "", fmt.Errorf("source: DICOMDIR: %w", err)
	}
	if !info.Mode().IsRegular() {
		return "", fmt.Errorf("source: DICOMDIR: %s: not a regular file", rel)
	}
	return rel, nil
}

func entryLike(root *os.Root, dir, part string) (string, error) {
	if _, err := root.Lstat(filepath.Join(dir, part)); err == nil {
		return part, nil
	}
	entries, err := fs.ReadDir(root.FS(), filepath.ToSlash(dir))
	if err != nil {
		return "", fmt.Errorf("source: DICOMDIR: %w", err)
	}
	for _, e := range entries {
		name, _, _ := strings.Cut(e.Name(), ";")
		if strings.EqualFold(strings.TrimSuffix(name, "."), part) {
			return e.Name(), nil
		}
	}
	return "", fmt.Errorf("source: DICOMDIR: %s: %w", filepath.Join(dir, part), fs.ErrNotExist)
}
