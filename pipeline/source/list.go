package source

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

// File is one film to measure.
type File struct {
	Path   string // on disk
	Member string // name inside the .zip at Path, as stored; empty: Path itself
	Source string // what the row's source column says, in UTF-8; unique in a listing
	Beside job.Beside

	Refused measure.Reason // set: nothing may open it, its row says why
	Detail  string         // for people: why it was refused
}

// Skip is a file that a folder or an archive holds and that is no film.
type Skip struct {
	Path string
	Why  string
}

// Listing is what List found, in the order of the output.
type Listing struct {
	Files    []File
	Skipped  []Skip
	Problems []string // folders that could not be read: films may be missing
}

// Options bound what List opens.
type Options struct {
	Exclude     string // folder that is never walked: the run's own output; may be empty
	MaxBytes    int64  // a file or archive member with more bytes is refused, > 0
	MaxMembers  int    // an archive with more members is refused, > 0
	LedgerNamed string // a folder that holds a file of this name is an older output and not walked; may be empty
}

// List returns the films of srcs. With one source the films are named relative
// to it (an archive's films by its name and theirs); with several, the name of
// each source goes before. A source named twice counts once.
//
// Errors: a source that is not there, and a films.csv that cannot be
// understood. A damaged film or archive is no error but a file with Refused.
func List(ctx context.Context, srcs []string, o Options) (Listing, error) {
	l := &lister{o: o, seen: make(map[string]bool), names: make(map[string]int)}
	if o.Exclude != "" {
		l.exclude, _ = os.Stat(o.Exclude)
	}
	srcs = distinct(srcs)
	prefixes := prefixesOf(srcs)
	for i, src := range srcs {
		if err := l.add(ctx, src, prefixes[i]); err != nil {
			return Listing{}, err
		}
	}
	return l.out, nil
}

// distinct returns the cleaned paths of srcs, each once.
func distinct(srcs []string) []string {
	var out []string
	for _, s := range srcs {
		if s = filepath.Clean(s); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// prefixesOf returns what goes before the films of each source: nothing for a
// single one, its base name for several, the path as given where two sources
// share a base name.
func prefixesOf(srcs []string) []string {
	out := make([]string, len(srcs))
	if len(srcs) < 2 {
		return out
	}
	count := make(map[string]int)
	for i, s := range srcs {
		out[i] = filepath.Base(s)
		count[out[i]]++
	}
	for i, s := range srcs {
		if count[out[i]] > 1 {
			out[i] = strings.TrimLeft(filepath.ToSlash(s), "/")
		}
	}
	return out
}

type lister struct {
	o       Options
	exclude os.FileInfo
	out     Listing
	seen    map[string]bool // path and member
	names   map[string]int  // source names given
}

func (l *lister) add(ctx context.Context, src, prefix string) error {
	info, err := os.Stat(src)
	if err != nil {
		return fmt.Errorf("source: %w", err)
	}
	if info.IsDir() {
		root, err := filepath.EvalSymlinks(src)
		if err != nil {
			return fmt.Errorf("source: %w", err)
		}
		w := &walk{lister: l, ctx: ctx, root: root, prefix: prefix}
		return w.folder("", nil)
	}
	if !info.Mode().IsRegular() {
		l.put(File{Path: src, Source: named(prefix, src), Refused: measure.UnreadableFile, Detail: "not a regular file"})
		return nil
	}
	switch kind, _ := sniffFile(src); kind {
	case archive:
		return l.archive(ctx, src, named(prefix, src))
	case directory:
		return l.directory(ctx, src, prefix)
	}
	t, err := tableBeside(src)
	if err != nil {
		return err
	}
	f := File{Path: src, Source: named(prefix, src)}
	f.Beside, _ = t.take(filepath.Base(src))
	l.put(f)
	return nil
}

// named returns the source name of a file given by itself.
func named(prefix, path string) string {
	if prefix != "" {
		return prefix
	}
	return filepath.Base(path)
}

// join puts a prefix before a slash-separated name.
func join(prefix, name string) string {
	if prefix == "" {
		return name
	}
	return prefix + "/" + name
}

// put appends f once, under a source name that no other film has.
func (l *lister) put(f File) {
	if f.Refused == "" {
		id := f.Path
		if abs, err := filepath.Abs(f.Path); err == nil {
			id = abs
		}
		id += "\x00" + f.Member
		if l.seen[id] {
			return
		}
		l.seen[id] = true
	}
	f.Source = legible(f.Source)
	name := f.Source
	for l.names[f.Source] > 0 {
		l.names[name]++
		f.Source = fmt.Sprintf("%s (%d)", name, l.names[name])
	}
	l.names[f.Source]++
	if f.Refused == "" && f.Member == "" {
		if info, err := os.Stat(f.Path); err == nil && info.Size() > l.o.MaxBytes {
			f.Refused, f.Detail = measure.ImageTooLarge, fmt.Sprintf("%d bytes, the limit is %d", info.Size(), l.o.MaxBytes)
		}
	}
	l.out.Files = append(l.out.Files, f)
}

// legible is a file's name in UTF-8: of a name that is none, as old systems have
// stored umlauts, the strange bytes become \xHH.
func legible(name string) string {
	var b strings.Builder
	for i := 0; i < len(name); {
		r, n := utf8.DecodeRuneInString(name[i:])
		if r == utf8.RuneError && n == 1 {
			fmt.Fprintf(&b, `\x%02X`, name[i])
		} else {
			b.WriteString(name[i : i+n])
		}
		i += n
	}
	return b.String()
}

func (l *lister) skip(path, why string) {
	l.out.Skipped = append(l.out.Skipped, Skip{Path: path, Why: why})
}

// walk lists one folder tree.
type walk struct {
	*lister
	ctx    context.Context
	root   string // real path
	prefix string
}

// folder lists the folder rel of the root, its entries in byte order. tables
// are the films.csv of the folders above, outermost first.
func (w *walk) folder(rel string, tables []*table) error {
	if err := w.ctx.Err(); err != nil {
		return fmt.Errorf("source: %w", err)
	}
	dir := filepath.Join(w.root, rel)
	if why := w.isOutput(dir); why != "" {
		w.skip(w.name(rel), why)
		return nil
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		if rel == "" {
			return fmt.Errorf("source: %w", err)
		}
		w.out.Problems = append(w.out.Problems, fmt.Sprintf("folder not read: %v", err))
		if len(entries) == 0 {
			return nil
		}
	}
	own, err := tableIn(dir, rel)
	if err != nil {
		return err
	}
	if own != nil {
		tables = append(slices.Clip(tables), own)
	}
	for _, e := range entries {
		name := filepath.Join(rel, e.Name())
		if e.IsDir() {
			if err := w.folder(name, tables); err != nil {
				return err
			}
			continue
		}
		if err := w.file(name, e, tables); err != nil {
			return err
		}
	}
	if own != nil {
		for _, missing := range own.left() {
			w.put(File{Path: filepath.Join(dir, filepath.FromSlash(missing)), Source: w.name(filepath.Join(rel, missing)),
				Refused: measure.UnreadableFile, Detail: "named in films.csv but not there"})
		}
	}
	return nil
}

func (w *walk) name(rel string) string {
	if rel == "" {
		rel = "."
	}
	return join(w.prefix, filepath.ToSlash(rel))
}

// isOutput says why dir is not walked, for the output folders of runs.
func (w *walk) isOutput(dir string) string {
	if w.exclude != nil {
		if info, err := os.Stat(dir); err == nil && os.SameFile(info, w.exclude) {
			return "output folder of this run"
		}
	}
	if w.o.LedgerNamed != "" {
		if _, err := os.Lstat(filepath.Join(dir, w.o.LedgerNamed)); err == nil {
			return "output folder of another run"
		}
	}
	return ""
}

// file lists one entry of a folder that is no folder.
func (w *walk) file(rel string, e fs.DirEntry, tables []*table) error {
	path := filepath.Join(w.root, rel)
	if e.Type()&fs.ModeSymlink != 0 {
		if why := w.badLink(path); why != "" {
			w.skip(w.name(rel), why)
			return nil
		}
	} else if !e.Type().IsRegular() {
		w.skip(w.name(rel), "not a regular file")
		return nil
	}
	f := File{Path: path, Source: w.name(rel)}
	listed := false
	for i := len(tables) - 1; i >= 0 && !listed; i-- {
		if in, err := filepath.Rel(tables[i].folder, rel); err == nil {
			f.Beside, listed = tables[i].take(filepath.ToSlash(in))
		}
	}
	kind, why := sniffFile(path)
	switch {
	case listed || kind == film:
		w.put(f)
	case kind == archive:
		return w.archive(w.ctx, path, w.name(rel))
	case kind == directory:
		w.skip(w.name(rel), "DICOMDIR: its folder is walked")
		return w.missing(path, rel)
	default:
		w.skip(w.name(rel), why)
	}
	return nil
}

// badLink says why a link is not followed: only links to files inside the
// root are.
func (w *walk) badLink(path string) string {
	target, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "link to nothing"
	}
	rel, err := filepath.Rel(w.root, target)
	if err != nil || !filepath.IsLocal(rel) {
		return "link out of the root"
	}
	info, err := os.Stat(target)
	switch {
	case err != nil:
		return "link to nothing"
	case info.IsDir():
		return "link to a folder"
	case !info.Mode().IsRegular():
		return "link to no regular file"
	}
	return ""
}

// missing lists the films that the DICOMDIR at rel refers to and that are not
// there; the others are found by the walk.
func (w *walk) missing(path, rel string) error {
	refs, err := readDirectory(path)
	if err != nil {
		w.out.Problems = append(w.out.Problems, err.Error())
		return nil
	}
	for _, ref := range refs {
		if _, err := findReferenced(filepath.Dir(path), ref); errors.Is(err, fs.ErrNotExist) {
			name := strings.Join(ref, "/")
			w.put(File{Path: filepath.Join(filepath.Dir(path), filepath.FromSlash(name)), Source: w.name(filepath.Join(filepath.Dir(rel), name)),
				Refused: measure.UnreadableFile, Detail: "named in DICOMDIR but not there"})
		}
	}
	return nil
}
