package registry

import (
	"strings"
	"testing"

	"shaftgauge/measure"
)

// A row that its reviewer rejected fills nothing and contradicts nothing.
func TestRejected(t *testing.T) {
	f := film("a", "9", "20260101", "R", "AP", measure.NeckShaftAngle, 127, 1)
	f.Reviewed, f.Rejected = true, true
	const by = "match: {patient: {column: n, issuer: HV}}\nfill: [{column: nsa, quantity: neck_shaft_angle_deg}]"
	r := fill(t, by, [][]string{{"n", "nsa"}, {"9", ""}, {"9", "140"}}, f)
	if r.Table[1][1] != "" || r.Table[2][1] != "140" || r.Count[Refused] != 1 || r.Count[Kept] != 1 || !strings.Contains(r.Audit[0].Why, "rejected") {
		t.Errorf("%v, %+v", r.Table, r.Audit)
	}
	other := film("b", "9", "20260101", "R", "AP", measure.NeckShaftAngle, 131, 1)
	if r := fill(t, by, [][]string{{"n", "nsa"}, {"9", ""}}, f, other); r.Table[1][1] != "131.00" {
		t.Errorf("%v", r.Table)
	}
}
