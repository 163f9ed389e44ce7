package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"shaftgauge/measure"
)

// nailColumns is the header of a nail list, in this order.
var nailColumns = []string{"name", "radius_mm", "length_mm", "distal_diameter_mm"}

const (
	mostNails     = 200
	mostNailBytes = 1 << 20
	mostNailName  = 80 // characters
)

// readNails reads the nail list at path: RFC 4180, UTF-8, the header of
// nailColumns, one nail a row.
func readNails(path string) ([]measure.Nail, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, usageError{fmt.Sprintf("nails: %v", err)}
	}
	defer f.Close()
	nails, err := parseNails(f)
	if err != nil {
		return nil, usageError{fmt.Sprintf("nails: %s: %v", path, err)}
	}
	return nails, nil
}

func parseNails(r io.Reader) ([]measure.Nail, error) {
	c := csv.NewReader(io.LimitReader(r, mostNailBytes))
	head, err := c.Read()
	if err != nil {
		return nil, fmt.Errorf("no header: %w", err)
	}
	head[0] = strings.TrimPrefix(head[0], "\ufeff")
	if !slices.Equal(head, nailColumns) {
		return nil, fmt.Errorf("line 1: columns %q, want %q", strings.Join(head, ","), strings.Join(nailColumns, ","))
	}
	var nails []measure.Nail
	names := make(map[string]bool)
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		line, _ := c.FieldPos(0)
		n := measure.Nail{Name: row[0]}
		if err := nailName(n.Name); err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		if names[n.Name] {
			return nil, fmt.Errorf("line %d: name %q twice", line, n.Name)
		}
		names[n.Name] = true
		for i, x := range []*float64{&n.RadiusMM, &n.LengthMM, &n.DistalDiameterMM} {
			if *x, err = strconv.ParseFloat(row[i+1], 64); err != nil {
				return nil, fmt.Errorf("line %d: %s %q: want a number", line, nailColumns[i+1], row[i+1])
			}
		}
		if err := n.Validate(); err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		if nails = append(nails, n); len(nails) > mostNails {
			return nil, fmt.Errorf("line %d: more than %d nails", line, mostNails)
		}
	}
	if len(nails) == 0 {
		return nil, errors.New("no nail")
	}
	return nails, nil
}

func nailName(s string) error {
	switch {
	case strings.TrimSpace(s) != s || s == "":
		return fmt.Errorf("name %q: want one without spaces around it", s)
	case len([]rune(s)) > mostNailName:
		return fmt.Errorf("name of more than %d characters", mostNailName)
	case !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("name %q: want printable UTF-8", s)
	}
	return nil
}
