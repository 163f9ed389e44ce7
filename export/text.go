package export

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// formulaStarts are the characters that make a spreadsheet take a cell for a
// formula, with the full-width forms that some spreadsheets fold.
//
// Source: OWASP, "CSV Injection": equals, plus, minus, at, tab, carriage
// return, line feed, and the full-width variants.
const formulaStarts = "=+-@\t\r\n＝＋－＠"

// cellBreaks are the characters at which a spreadsheet may begin another cell
// when it is told another separator or quote than ours (same source).
const cellBreaks = ",;\t|\"'\r\n"

// SafeText returns s fit for a cell of a CSV file that a spreadsheet may open:
// an apostrophe goes before each formula character at the start of s or after
// a separator or a quote, blanks ignored; control characters and bytes that
// are not UTF-8 become \xHH. Other text is returned as it is.
func SafeText(s string) string {
	var b strings.Builder
	fresh := true // at a place where a cell could begin
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		if fresh && strings.ContainsRune(formulaStarts, r) {
			b.WriteByte('\'')
		}
		switch {
		case r == utf8.RuneError && n == 1, r < 0x20, r == 0x7f:
			fmt.Fprintf(&b, `\x%02X`, s[i])
		case unicode.IsControl(r) || r == '\u2028' || r == '\u2029':
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteString(s[i : i+n])
		}
		fresh = strings.ContainsRune(cellBreaks, r) || fresh && unicode.IsSpace(r)
		i += n
	}
	return b.String()
}
