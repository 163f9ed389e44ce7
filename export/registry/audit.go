package registry

import (
	"strconv"
	"strings"

	"shaftgauge/export"
	"shaftgauge/measure"
)

// AuditHeader is the header of the audit.
var AuditHeader = []string{"row", "column", "action", "why", "held", "film", "value", "u95", "reviewed", "version"}

// Cells returns l as a row under [AuditHeader], its numbers with the table's own
// decimal mark.
func (l Line) Cells(version, decimal string) []string {
	value, u95, reviewed := "", "", ""
	if l.HasValue {
		value, u95 = number(l.Value.X, 4, decimal), number(l.Value.U95, 4, decimal)
		reviewed = yesNo(l.Reviewed)
	} else {
		version = ""
	}
	return []string{strconv.Itoa(l.Row), l.Column, string(l.Action), l.Why, l.Held, l.Film, value, u95, reviewed, version}
}

// number writes x with that many digits and that decimal mark, never as -0.
func number(x float64, digits int, decimal string) string {
	text, _ := export.Number(measure.Value{X: x}, digits)
	return strings.Replace(text, ".", decimal, 1)
}
