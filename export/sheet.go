package export

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Sheet is a table of text as a spreadsheet saves it, its header first, and the
// way in which it was written: RFC 4180 but for the separator, which goes by the
// country that the spreadsheet is set to.
type Sheet struct {
	Rows      [][]string
	Separator rune // comma, semicolon or tab
	Mark      bool // begins with a byte order mark
	Named     bool // begins with a line "sep=;" that names the separator
}

const (
	byteOrderMark = "\ufeff"
	separators    = ",;\t" // of as many of each the first counts
	namesIt       = "sep="
)

// ReadSheet reads a table in UTF-8. Its separator is the one that the line "sep=;"
// names, else the one that is most frequent in the header outside quotes and with
// which all rows have as many cells.
//
// Errors: rows of different lengths and quotes that do not close.
func ReadSheet(r io.Reader) (s Sheet, err error) {
	b, err := io.ReadAll(r)
	if err != nil {
		return s, fmt.Errorf("export: sheet: %w", err)
	}
	b, s.Mark = bytes.CutPrefix(b, []byte(byteOrderMark))
	try := separatorsOf(b)
	if line, rest, _ := bytes.Cut(b, []byte("\n")); bytes.HasPrefix(line, []byte(namesIt)) {
		named := strings.TrimRight(string(line[len(namesIt):]), "\r")
		if len(named) != 1 || !strings.Contains(separators, named) {
			return s, fmt.Errorf("export: sheet: its separator %q is no comma, semicolon or tab", named)
		}
		b, s.Named, try = rest, true, []rune(named)
	}
	var first error
	for _, s.Separator = range try {
		c := csv.NewReader(bytes.NewReader(b))
		c.Comma = s.Separator
		if s.Rows, err = c.ReadAll(); err == nil {
			return s, nil
		}
		if first == nil {
			first = err
		}
	}
	return Sheet{}, fmt.Errorf("export: sheet: %w", first)
}

// separatorsOf are the separators in the first line outside quotes, the most
// frequent one first; a comma where there is none.
func separatorsOf(b []byte) []rune {
	b = bytes.TrimLeft(b, "\r\n") // the header is the first line that is not empty
	count := make(map[rune]int)
	quoted := false
	for i := 0; i < len(b) && (quoted || b[i] != '\n'); i++ {
		if b[i] == '"' {
			quoted = !quoted
		} else if !quoted {
			count[rune(b[i])]++
		}
	}
	out := slices.DeleteFunc([]rune(separators), func(r rune) bool { return count[r] == 0 })
	slices.SortStableFunc(out, func(a, b rune) int { return count[b] - count[a] })
	if len(out) == 0 {
		out = []rune{','}
	}
	return out
}

// Write writes the sheet in its own way, lines ended by CR LF. Line breaks within
// a cell stay as they are: encoding/csv would make all of them CR LF or drop them.
func (s Sheet) Write(w io.Writer) error {
	var b bytes.Buffer
	if s.Mark {
		b.WriteString(byteOrderMark)
	}
	if s.Named {
		b.WriteString(namesIt + string(s.Separator) + "\r\n")
	}
	special := "\"\r\n" + string(s.Separator)
	for _, row := range s.Rows {
		for i, cell := range row {
			if i > 0 {
				b.WriteRune(s.Separator)
			}
			if strings.ContainsAny(cell, special) || strings.HasPrefix(cell, " ") {
				cell = `"` + strings.ReplaceAll(cell, `"`, `""`) + `"`
			}
			b.WriteString(cell)
		}
		b.WriteString("\r\n")
	}
	if _, err := b.WriteTo(w); err != nil {
		return fmt.Errorf("export: sheet: %w", err)
	}
	return nil
}
