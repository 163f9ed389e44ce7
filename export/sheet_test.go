package export

import (
	"bytes"
	"slices"
	"strings"
	"testing"
)

// FuzzSheet: what can be read is written so that it reads as the same table, in
// the same way (definition). Left out are tables of one column, which any separator
// fits, and headers in which another separator is more frequent than their own.
func FuzzSheet(f *testing.F) {
	for _, s := range []string{"a,b\n1,2\n", "\ufeffa;b\r\n\"1\r2\";\" \"\"\r\n", "sep=;\na;b\n", "a\n\"\"\n", "a\tb\n\"x\ny\"\t'\n", "\"a,b\n1"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := ReadSheet(bytes.NewReader(b))
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := s.Write(&out); err != nil {
			t.Fatal(err)
		}
		written := out.String()
		if len(s.Rows) == 0 || len(s.Rows[0]) == 1 || !s.Named && separatorsOf([]byte(written))[0] != s.Separator {
			return
		}
		again, err := ReadSheet(&out)
		if err != nil || !slices.EqualFunc(again.Rows, s.Rows, slices.Equal) || again.Mark != s.Mark || again.Named != s.Named {
			t.Errorf("%q was read as %q, written as %q, read as %q, %v", b, s.Rows, written, again.Rows, err)
		}
	})
}

// Tables as spreadsheets of several countries save them, common practice, no
// source: each says the same, and is written as it came.
func TestSheet(t *testing.T) {
	want := [][]string{{"patient; no", "injury, date", "nsa"}, {"17", "03.02.2026", "131,5"}, {"18", "", ""}}
	for name, text := range map[string]string{
		"commas":     "patient; no,\"injury, date\",nsa\r\n17,03.02.2026,\"131,5\"\r\n18,,\r\n",
		"semicolons": "\"patient; no\";injury, date;nsa\r\n17;03.02.2026;131,5\r\n18;;\r\n",
		"tabs":       "patient; no\tinjury, date\tnsa\r\n17\t03.02.2026\t131,5\r\n18\t\t\r\n",
		"marked":     "\ufeff\"patient; no\";injury, date;nsa\r\n17;03.02.2026;131,5\r\n18;;\r\n",
		"named":      "sep=;\r\n\"patient; no\";injury, date;nsa\r\n17;03.02.2026;131,5\r\n18;;\r\n",
		"both":       "\ufeffsep=\t\r\npatient; no\tinjury, date\tnsa\r\n17\t03.02.2026\t131,5\r\n18\t\t\r\n",
	} {
		s, err := ReadSheet(strings.NewReader(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if !slices.EqualFunc(s.Rows, want, slices.Equal) {
			t.Errorf("%s: %q", name, s.Rows)
		}
		var b bytes.Buffer
		if err := s.Write(&b); err != nil || b.String() != text {
			t.Errorf("%s: written as %q, %v", name, b.String(), err)
		}
	}
	s, err := ReadSheet(strings.NewReader("name, first, given;nsa\r\na, b;1\r\n")) // commas in words
	if err != nil || len(s.Rows[0]) != 2 || s.Rows[1][0] != "a, b" {
		t.Errorf("%q, %v", s.Rows, err)
	}
	for name, text := range map[string]string{
		"ragged":            "a;b\n1;2;3\n",
		"an open quote":     "a;b\n\"1;2\n",
		"another separator": "sep=|\na|b\n",
	} {
		if s, err := ReadSheet(strings.NewReader(text)); err == nil {
			t.Errorf("%s: read as %q", name, s.Rows)
		}
	}
}
