package source

import (
	"archive/zip"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"shaftgauge/measure"
)

// maxDeflate is the greatest ratio that DEFLATE can reach; a member that
// claims more is forged.
//
// Source: zlib technical details: "the limit … is about 1030:1".
const maxDeflate = 1100

// archive lists the films of the .zip at path, by member name in stored order.
// Archives inside are not opened. An archive that is damaged, holds too many
// members, whose members overlap (as nested bombs do), or whose films.csv cannot
// be read, gets one row and nothing of it is read.
func (l *lister) archive(ctx context.Context, file, name string) error {
	refuse := func(detail string) {
		l.put(File{Path: file, Source: name, Refused: measure.UnreadableFile, Detail: detail})
	}
	r, err := zip.OpenReader(file)
	if err != nil {
		refuse(err.Error())
		return nil
	}
	defer r.Close()
	if len(r.File) > l.o.MaxMembers {
		refuse(fmt.Sprintf("%d members, the limit is %d", len(r.File), l.o.MaxMembers))
		return nil
	}
	if overlap(r.File) {
		refuse("members overlap")
		return nil
	}
	tables, err := l.tablesIn(r.File)
	var closed *closedTable
	if errors.As(err, &closed) {
		refuse(err.Error())
		return nil
	}
	if err != nil {
		return fmt.Errorf("source: %s: %w", file, err)
	}
	seen := make(map[string]bool)
	before := len(l.out.Files)
	for _, m := range r.File {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("source: %w", err)
		}
		if m.FileInfo().IsDir() {
			continue
		}
		shown := join(name, SafeName(m.Name))
		f, why := l.member(m, tables, seen)
		if why != "" {
			l.skip(shown, why)
			continue
		}
		seen[m.Name] = true
		f.Path, f.Source = file, shown
		l.put(f)
	}
	for _, m := range r.File { // in stored order
		clean := SafeName(m.Name)
		t := tables[path.Dir(clean)]
		if t == nil || !strings.EqualFold(path.Base(clean), tableName) {
			continue
		}
		for _, missing := range t.left() {
			l.put(File{Path: file, Member: missing, Source: join(name, path.Join(path.Dir(clean), missing)),
				Refused: measure.UnreadableFile, Detail: "named in films.csv but not there"})
		}
	}
	if len(l.out.Files) == before {
		l.skip(name, "archive without films")
	}
	return nil
}

// member is the film that a member of an archive is, or why it is none. tables are the
// archive's films.csv by folder, seen the names of the members before.
func (l *lister) member(m *zip.File, tables map[string]*table, seen map[string]bool) (f File, skip string) {
	if !m.Mode().IsRegular() {
		return f, "not a regular file"
	}
	f.Member = m.Name
	clean := SafeName(m.Name)
	listed := false
	for dir := path.Dir(clean); !listed; dir = path.Dir(dir) {
		if t := tables[dir]; t != nil {
			f.Beside, listed = t.take(strings.TrimPrefix(clean, strings.TrimPrefix(dir+"/", "./")))
		}
		if dir == "." || dir == "/" {
			break
		}
	}
	f.Detail = l.badMember(m)
	switch kind, why := sniffMember(m, f.Detail != ""); {
	case seen[m.Name]:
		f.Refused, f.Detail = measure.UnreadableFile, "second member of this name"
	case f.Detail != "" && (kind == film || listed):
		f.Refused = measure.UnreadableFile
	case kind == archive:
		return f, "archive inside an archive"
	case kind == directory:
		return f, "DICOMDIR: the archive is listed by its members"
	case kind == other && !listed:
		return f, why
	}
	return f, ""
}

// badMember says why a member may not be opened; empty when it may.
func (l *lister) badMember(m *zip.File) string {
	switch {
	case m.Flags&1 != 0:
		return "encrypted"
	case m.Method != zip.Store && m.Method != zip.Deflate:
		return fmt.Sprintf("compression method %d", m.Method)
	case m.UncompressedSize64 > uint64(l.o.MaxBytes):
		return fmt.Sprintf("%d bytes, the limit is %d", m.UncompressedSize64, l.o.MaxBytes)
	case m.UncompressedSize64/maxDeflate > m.CompressedSize64:
		return "impossible compression ratio"
	}
	return ""
}

// sniffMember looks at the head of a member, or only at its name when it may
// not be opened.
func sniffMember(m *zip.File, closed bool) (kind, string) {
	name := path.Base(SafeName(m.Name))
	if closed {
		return classify(nil, name)
	}
	r, err := m.Open()
	if err != nil {
		return classify(nil, name)
	}
	defer r.Close()
	return sniff(r, name)
}

// overlap reports members that share bytes of the archive. Overlapping
// members let a small archive unpack without end.
func overlap(files []*zip.File) bool {
	type span struct{ from, to int64 }
	spans := make([]span, 0, len(files))
	for _, m := range files {
		from, err := m.DataOffset()
		if err != nil {
			continue // its local header is damaged; opening it will fail
		}
		spans = append(spans, span{from, from + int64(m.CompressedSize64)})
	}
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	for i := 1; i < len(spans); i++ {
		if spans[i].from < spans[i-1].to {
			return true
		}
	}
	return false
}

// SafeName returns an archive's or a medium's name as a clean relative path
// with slashes: no root, no drive, no way up, no control characters.
func SafeName(name string) string {
	name = strings.Map(func(r rune) rune {
		switch {
		case r == '\\':
			return '/'
		case r < 0x20 || r == 0x7f || r == ':':
			return '_'
		}
		return r
	}, strings.ToValidUTF8(name, "_"))
	name = strings.TrimPrefix(path.Clean("/"+name), "/")
	if name == "" || !fs.ValidPath(name) {
		return "_"
	}
	return name
}
