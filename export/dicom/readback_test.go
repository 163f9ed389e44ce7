package dicom

import (
	"bytes"
	"math"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// read is a NUM item as dsrdump prints it.
type read struct {
	name, value, unit  string // value is empty where there is none
	qualifier          string // code of CID 42
	method             string
	site, u95          string
	derivation         string
	uncertaintyUnit    string
	selected, original string // Selection Status, and the value before
	why                string
	regions, images    int
}

// group is a Measurement Group.
type group struct {
	tracking, side, algorithm, finding string
	numbers                            []read
	texts                              map[string][]string // by concept code
}

var (
	itemLine = regexp.MustCompile(`^( *)<(contains|has obs context|has concept mod|has properties|inferred from|selected from|has acq context) ([A-Z]+):(?:\((\S+?),(\S+?),"(.*?)"\))?=(.*)>$`)
	numValue = regexp.MustCompile(`^"(.*)" \((\S+),UCUM,".*"\)$`)
	noValue  = regexp.MustCompile(`^empty \((\d+),DCM,".*"\)$`)
	coded    = regexp.MustCompile(`^\((\S+?),(\S+?),"(.*)"\)$`)
)

// dump reads a report by dcmtk's dsrdump.
func dump(t *testing.T, path string) (header string, groups []group) {
	t.Helper()
	needTool(t, "dsrdump")
	var stderr bytes.Buffer
	cmd := exec.Command("dsrdump", "+Pl", "+Pc", path)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("dsrdump: %v\n%s", err, stderr.Bytes())
	}
	header, _, _ = strings.Cut(string(out), "\n<")
	var g *group
	var n *read
	for line := range strings.Lines(string(out)) {
		m := itemLine.FindStringSubmatch(strings.TrimRight(line, "\n"))
		if m == nil {
			continue
		}
		depth, kind, name, value := len(m[1])/2, m[3], m[4], m[7]
		code := ""
		if c := coded.FindStringSubmatch(value); c != nil {
			code = c[1]
		}
		switch {
		case depth == 2 && kind == "CONTAINER" && name == "125007":
			groups = append(groups, group{texts: make(map[string][]string)})
			g, n = &groups[len(groups)-1], nil
		case g == nil:
		case depth == 3:
			n = nil
			switch {
			case kind == "NUM":
				g.numbers = append(g.numbers, read{name: name})
				n = &g.numbers[len(g.numbers)-1]
				if v := numValue.FindStringSubmatch(value); v != nil {
					n.value, n.unit = v[1], v[2]
				} else if v := noValue.FindStringSubmatch(value); v != nil {
					n.qualifier = v[1]
				} else {
					t.Errorf("NUM of %q", value)
				}
			case name == "112039":
				g.tracking = strings.Trim(value, `"`)
			case name == "121071":
				g.finding = code
			case name == "111003":
				g.algorithm = strings.Trim(value, `"`)
			case kind == "TEXT":
				g.texts[name] = append(g.texts[name], strings.Trim(value, `"`))
			}
		case depth == 4 && n == nil:
			if name == "272741003" {
				g.side = code
			}
		case depth == 4:
			switch {
			case name == "370129005":
				n.method = code
			case name == "363698007":
				n.site = code
			case name == "121401":
				n.derivation = code
			case name == "371884006":
				if v := numValue.FindStringSubmatch(value); v != nil {
					n.u95, n.uncertaintyUnit = v[1], v[2]
				}
			case name == "121404":
				n.selected = code
			case name == "MEASURED":
				n.original = numValue.FindStringSubmatch(value)[1]
			case name == "WHY_EMPTY":
				n.why = strings.Trim(value, `"`)
			case kind == "SCOORD":
				n.regions++
			case kind == "IMAGE":
				n.images++
			}
		}
	}
	return header, groups
}

// Every number of the rows comes back from dcmtk as it is in the row, with its
// unit, uncertainty, side and place; what has none is qualified and says why.
func TestReportReadBack(t *testing.T) {
	for name, f := range films() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, groups := dump(t, writeReport(t, f))
			at := 0
			for i := range f.Femurs {
				fe := &f.Femurs[i]
				if at >= len(groups) {
					t.Fatalf("%d groups, no more for femur %d", len(groups), i+1)
				}
				g := groups[at]
				at++
				side := map[measure.Side]string{measure.Right: "24028007", measure.Left: "7771000"}[fe.Record.Side] // CID 244
				if g.side != side {
					t.Errorf("laterality %q, want %q", g.side, side)
				}
				if g.algorithm != "0.0 test, algorithm shaft/0" {
					t.Errorf("algorithm version %q", g.algorithm)
				}
				if !strings.Contains(strings.Join(g.texts["121106"], " "), "not a diagnosis") {
					t.Errorf("comments %q", g.texts["121106"])
				}
				if n := len(g.texts["REASON"]); n != len(fe.Record.Reasons) {
					t.Errorf("%d reasons, want %v", n, fe.Record.Reasons)
				}
				rejected := f.Review[i] != nil && f.Review[i].Rejected != ""
				checkRow(t, &fe.Record, g, rejected)
				if rejected {
					continue
				}
				for k := range fe.Focal {
					b := &fe.Focal[k]
					want := map[string]measure.Value{"FOCAL_LEVEL": b.Level, "FOCAL_HEIGHT": b.Height, "FOCAL_LENGTH": b.Length,
						"FOCAL_OUTER": b.OuterShare, "FOCAL_SNR": {X: b.SNR}, "LINE_FLOOR": {X: b.Line.FloorMM}}
					if b.Line.State == "seen" {
						want["LINE_DEPTH"], want["LINE_ANGLE"], want["LINE_CONTRAST"] = b.Line.Depth, b.Line.Angle, measure.Value{X: b.Line.Contrast}
					}
					checkNumbers(t, groups[at], "FOCAL", want)
					if got := groups[at].texts; got["FOCAL_SURFACE"][0] != b.Surface || got["LUCENT_LINE"][0] != b.Line.State {
						t.Errorf("in words: %v", got)
					}
					at++
				}
				for _, n := range fe.Nails {
					checkNumbers(t, groups[at], "NAIL", map[string]measure.Value{"NAIL_TIP_GAP": n.TipGap})
					if !strings.HasSuffix(groups[at].tracking, "nail "+n.Name) {
						t.Errorf("tracking identifier %q of nail %q", groups[at].tracking, n.Name)
					}
					at++
				}
			}
			if at != len(groups) {
				t.Errorf("%d groups, want %d", len(groups), at)
			}
		})
	}
}

// checkRow compares the group of a femur with its row, column by column.
func checkRow(t *testing.T, r *measure.Record, g group, rejected bool) {
	byMethod := make(map[string]read)
	for _, n := range g.numbers {
		if _, twice := byMethod[n.method]; twice || n.method == "" {
			t.Errorf("method %q twice", n.method)
		}
		byMethod[n.method] = n
	}
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		c, ok := concepts[q]
		if !ok {
			continue
		}
		n, there := byMethod[c.method.Value]
		delete(byMethod, c.method.Value)
		v, have := r.Values[q]
		switch {
		case rejected:
			if have && (n.value != "" || n.qualifier != "114006" || !strings.Contains(n.why, "rejected by the reviewer")) {
				t.Errorf("%s of a rejected row: %+v", q, n)
			}
		case have:
			compare(t, string(q), n, col.Unit, math.Pow10(-col.Digits), v)
			if want := map[measure.Quantity]string{"isthmus_canal_width_mm": "255605001", "bow_sagitta_mm": "56851009", "focal_height_mm": "56851009"}[q]; n.derivation != want {
				t.Errorf("%s: derivation %q, want %q", q, n.derivation, want)
			}
			if n.site != c.site.Value || n.name != c.name.Value {
				t.Errorf("%s is %s of %s", q, n.name, n.site)
			}
			if r.Status != measure.StatusNotMeasured && n.regions+n.images == 0 {
				t.Errorf("%s: neither region nor image", q)
			}
		case !there:
			_, searched := r.Values[measure.FocalCount]
			ofOne := strings.HasPrefix(string(q), "focal_") || strings.HasPrefix(string(q), "lucent_line_") // and none was found
			if r.View == measure.AP && !(searched && ofOne) && !strings.Contains(string(q), "anterior") && !strings.Contains(string(q), "posterior") {
				t.Errorf("%s is neither measured nor refused", q)
			}
		default:
			if n.value != "" || !slices.Contains([]string{"114006", "114007", "114011"}, n.qualifier) {
				t.Errorf("%s was not measured: %+v", q, n)
			}
			if (n.qualifier == "114007") == (n.why != "") {
				t.Errorf("%s: qualifier %s with the reason %q", q, n.qualifier, n.why)
			}
		}
	}
	for m := range byMethod {
		t.Errorf("a number by the method %s, of no column", m)
	}
}

func checkNumbers(t *testing.T, g group, finding string, want map[string]measure.Value) {
	t.Helper()
	if g.finding != finding {
		t.Errorf("finding %q, want %q", g.finding, finding)
	}
	if len(g.numbers) != len(want) {
		t.Errorf("%d numbers, want %d", len(g.numbers), len(want))
	}
	for _, n := range g.numbers {
		unit, digit := "mm", 0.01
		switch n.method {
		case "FOCAL_OUTER", "LINE_DEPTH":
			unit = "1"
		case "FOCAL_SNR", "LINE_CONTRAST":
			unit, digit = "1", 0.1
		case "LINE_ANGLE":
			unit = "deg"
		}
		compare(t, n.method, n, unit, digit, want[n.method])
	}
}

// compare wants n to be v to the digit that the tables print, its uncertainty
// rounded up.
func compare(t *testing.T, what string, n read, unit string, digit float64, v measure.Value) {
	t.Helper()
	x, err := strconv.ParseFloat(n.value, 64)
	if err != nil || math.Abs(x-v.X) > digit/2*1.0001 || n.unit != unit {
		t.Errorf("%s: %q %s, want %g %s", what, n.value, n.unit, v.X, unit)
	}
	if v.U95 == 0 {
		if n.u95 != "" {
			t.Errorf("%s: uncertainty %q of none", what, n.u95)
		}
		return
	}
	u, err := strconv.ParseFloat(n.u95, 64)
	if err != nil || u < v.U95-1e-9 || u > v.U95+digit*1.0001 || n.uncertaintyUnit != unit {
		t.Errorf("%s: uncertainty %q %s, want %g %s or up to a digit more", what, n.u95, n.uncertaintyUnit, v.U95, unit)
	}
}

// A report is verified where a person decided on every femur, and not before.
func TestVerified(t *testing.T) {
	f := films()["reviewed"]
	header, groups := dump(t, writeReport(t, f))
	for _, want := range []string{"Verification Flag   : VERIFIED", "Verifying Observer", "DUNMERE^CLEMENT", "ELSWICK^FLORA", "FINAL"} {
		if !strings.Contains(header, want) {
			t.Errorf("no %q in\n%s", want, header)
		}
	}
	for _, n := range groups[0].numbers {
		before, had := f.Review[0].Before.Values[quantityOf(n.method)]
		switch n.method {
		case "NECK_SHAFT":
			if n.selected != "121410" || n.value != "128.50" { // User chosen value
				t.Errorf("corrected angle: %+v", n)
			}
			if x, err := strconv.ParseFloat(n.original, 64); err != nil || !had || math.Abs(x-before.X) > 0.005 {
				t.Errorf("corrected angle was %q, want %g", n.original, before.X)
			}
		case "BOW_ANGLE": // not measured before
			if n.selected != "121410" || n.original != "" {
				t.Errorf("added angle: %+v", n)
			}
		case "HEAD_DIAMETER": // taken away
			if n.selected != "121410" || n.value != "" || n.original == "" {
				t.Errorf("removed diameter: %+v", n)
			}
		default:
			if n.selected != "" || n.original != "" {
				t.Errorf("untouched: %+v", n)
			}
		}
	}
	delete(f.Review, 1)
	if header, _ := dump(t, writeReport(t, f)); !strings.Contains(header, "UNVERIFIED") || strings.Contains(header, "Verifying") {
		t.Errorf("one of two femurs was reviewed, and the report says\n%s", header)
	}
	if header, _ := dump(t, writeReport(t, films()["AP"])); !strings.Contains(header, "UNVERIFIED") || strings.Contains(header, "Verifying") {
		t.Errorf("nobody reviewed, and the report says\n%s", header)
	}
}

func quantityOf(method string) measure.Quantity {
	for q, c := range concepts {
		if c.method.Value == method {
			return q
		}
	}
	return ""
}

// A refused number names those of the row's reasons that can explain it, and
// what cannot be there is not called refused.
func TestReasons(t *testing.T) {
	all := films()
	of := func(film string) map[string]read {
		_, groups := dump(t, writeReport(t, all[film]))
		out := make(map[string]read)
		for _, n := range groups[0].numbers {
			out[n.method] = n
		}
		return out
	}
	smooth := of("no thickening")
	if n := smooth["ALDFA"]; n.qualifier != "114006" || !strings.Contains(n.why, "condyles_not_found: The tangent") || !strings.Contains(n.why, "implant_present") {
		t.Errorf("angle without condyles: %+v", n)
	}
	if n, ok := smooth["FOCAL_HEIGHT"]; ok {
		t.Errorf("height of a thickening that is not there: %+v", n)
	}
	if n := smooth["FOCAL_COUNT"]; n.value != "0" || n.unit != "1" {
		t.Errorf("thickenings found: %+v", n)
	}
	if n := of("side and view unknown")["BOW_RADIUS"]; n.qualifier != "114011" || !strings.Contains(n.why, "bow_not_resolved") { // Value indeterminate
		t.Errorf("radius of a bow that is not resolved: %+v", n)
	}
	for method, n := range of("refused") {
		head := slices.Contains([]string{"NECK_SHAFT", "HEAD_DIAMETER", "OFFSET", "MLDFA", "ANAT_MECH"}, method)
		if n.value != "" || !strings.Contains(n.why, "shaft_discontinuous") || strings.Contains(n.why, "head_not_found") != head {
			t.Errorf("%+v", n)
		}
	}
}
