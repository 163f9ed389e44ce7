package export

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
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
// names, else the one that is most frequent in the header outside quotes.
//
// Errors: rows of different lengths and quotes that do not close.
func ReadSheet(r io.Reader) (Sheet, error) {
	b, err := io.ReadAll(r)
	if err != nil {
		return Sheet{}, fmt.Errorf("export: sheet: %w", err)
	}
	s := Sheet{Separator: ','}
	b, s.Mark = bytes.CutPrefix(b, []byte(byteOrderMark))
	if line, rest, _ := bytes.Cut(b, []byte("\n")); len(bytes.TrimRight(line, "\r")) == len(namesIt)+1 && bytes.HasPrefix(line, []byte(namesIt)) {
		b, s.Named, s.Separator = rest, true, rune(line[len(namesIt)])
	} else {
		s.Separator = separatorOf(b)
	}
	if !strings.ContainsRune(separators, s.Separator) {
		return Sheet{}, fmt.Errorf("export: sheet: its separator %q is no comma, semicolon or tab", s.Separator)
	}
	c := csv.NewReader(bytes.NewReader(b))
	c.Comma = s.Separator
	if s.Rows, err = c.ReadAll(); err != nil {
		return Sheet{}, fmt.Errorf("export: sheet: %w", err)
	}
	return s, nil
}

// separatorOf is the separator that is most frequent in the first line outside
// quotes.
func separatorOf(b []byte) rune {
	var n [len(separators)]int
	quoted := false
	for i := 0; i < len(b) && (quoted || b[i] != '\n'); i++ {
		if b[i] == '"' {
			quoted = !quoted
		} else if k := strings.IndexByte(separators, b[i]); k >= 0 && !quoted {
			n[k]++
		}
	}
	best := 0
	for i := range n {
		if n[i] > n[best] {
			best = i
		}
	}
	return rune(separators[best])
}

// Write writes the sheet in its own way, lines ended by CR LF.
func (s Sheet) Write(w io.Writer) error {
	head := ""
	if s.Mark {
		head = byteOrderMark
	}
	if s.Named {
		head += namesIt + string(s.Separator) + "\r\n"
	}
	if _, err := io.WriteString(w, head); err != nil {
		return fmt.Errorf("export: sheet: %w", err)
	}
	c := csv.NewWriter(w)
	c.UseCRLF, c.Comma = true, s.Separator
	if err := c.WriteAll(s.Rows); err != nil {
		return fmt.Errorf("export: sheet: %w", err)
	}
	return nil
}
