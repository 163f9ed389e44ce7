package registry

import (
	"strconv"
)

// AuditHeader is the header of the audit.
var AuditHeader = []string{"row", "column", "action", "why", "held", "film", "value", "u95", "reviewed", "version"}

// Cells returns l as a row under [AuditHeader].
func (l Line) Cells(version string) []string {
	value, u95, reviewed := "", "", ""
	if l.HasValue {
		value, u95 = strconv.FormatFloat(l.Value.X, 'f', 4, 64), strconv.FormatFloat(l.Value.U95, 'f', 4, 64)
		reviewed = yesNo(l.Reviewed)
	} else {
		version = ""
	}
	return []string{strconv.Itoa(l.Row), l.Column, string(l.Action), l.Why, l.Held, l.Film, value, u95, reviewed, version}
}
