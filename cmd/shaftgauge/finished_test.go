package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
)

// outputOf writes the output of a finished run with these rows.
func outputOf(t *testing.T, s settings, femurs ...measure.Femur) string {
	t.Helper()
	dir := t.TempDir()
	b, err := json.Marshal(report{Program: "shaftgauge", Version: "v1", Settings: s})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, runName), b, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := writeRows(dir, femurs); err != nil {
		t.Fatal(err)
	}
	return dir
}

func ran(t *testing.T, want int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(args, &out, &errs); got != want {
		t.Fatalf("shaftgauge %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), got, want, out.String(), errs.String())
	}
	return out.String(), errs.String()
}

func write(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestFill(t *testing.T) {
	dir := t.TempDir()
	key := write(t, filepath.Join(dir, "key"), "0123456789abcdef")
	keys := keyring("0123456789abcdef")
	f := measure.Femur{Record: measure.Record{Source: "a.dcm", Frame: 1, PatientKey: keys.Patient("HV", "17"), StudyDate: "20260203", Side: "R", View: "AP"}}
	f.Record.Set(measure.NeckShaftAngle, 127.31, 0.8)
	out := outputOf(t, settings{KeyFile: key}, f)
	table := write(t, filepath.Join(dir, "registry.csv"), "\ufeffnumber,leg,nsa\r\n17,R,\r\n17,L,\r\n18,R,131\r\n")
	const mappingText = `
match:
  patient: {column: number, issuer: HV}
  side: {column: leg, right: [R], left: [L]}
fill:
  - {column: nsa, quantity: neck_shaft_angle_deg, view: AP, digits: 1}
`
	mapping := write(t, filepath.Join(dir, "map.yaml"), mappingText)
	filled := filepath.Join(dir, "filled.csv")
	args := []string{"fill", table, "--from", out, "--map", mapping, "-o", filled}
	said, _ := ran(t, exitMeasured, args...)
	if !strings.Contains(said, "1 filled, 1 refused, 1 kept") || !strings.Contains(said, "nothing was written") {
		t.Errorf("said %q", said)
	}
	if _, err := os.Stat(filled); err == nil {
		t.Fatal("a dry run wrote")
	}
	ran(t, exitMeasured, append(args, "--write")...)
	b, err := os.ReadFile(filled)
	if err != nil {
		t.Fatal(err)
	}
	want := "\ufeffnumber,leg,nsa,nsa_film,nsa_u95,nsa_reviewed,nsa_version\r\n17,R,127.3,a.dcm#1 R,0.80,no,v1\r\n17,L,,,,,\r\n18,R,131,,,,\r\n"
	if string(b) != want {
		t.Errorf("filled\n%q\nwant\n%q", b, want)
	}
	audit, err := os.ReadFile(filepath.Join(dir, "filled.audit.csv"))
	if err != nil || !strings.Contains(string(audit), "3,nsa,refused,no film of this side") {
		t.Errorf("audit %q, %v", audit, err)
	}

	// A table with semicolons and decimal commas is filled with such.
	semicolons := write(t, filepath.Join(dir, "semicolons.csv"), "\ufeffnumber;leg;nsa\r\n17;R;\r\n")
	commas := write(t, filepath.Join(dir, "commas.yaml"), "decimal: ','\n"+mappingText)
	ran(t, exitMeasured, "fill", semicolons, "--from", out, "--map", commas, "-o", filled, "--write")
	if b, err = os.ReadFile(filled); err != nil || !strings.HasSuffix(string(b), "nsa_version\r\n17;R;127,3;a.dcm#1 R;0,80;no;v1\r\n") {
		t.Errorf("filled %q, %v", b, err)
	}
	if audit, err = os.ReadFile(filepath.Join(dir, "filled.audit.csv")); err != nil || !strings.HasPrefix(string(audit), "\ufeffrow;column;") || !strings.Contains(string(audit), ";127,3") {
		t.Errorf("audit %q, %v", audit, err)
	}

	ran(t, exitUsage, "fill", table, "--from", dir, "--map", mapping, "-o", filled)                                  // no run there
	ran(t, exitUsage, "fill", table, "--from", outputOf(t, settings{}, f), "--map", mapping, "-o", filled)           // no key file
	ran(t, exitUsage, "fill", table, "--from", out, "--map", write(t, filepath.Join(dir, "bad"), "a: b"), "-o", "x") // no map
	_, said = ran(t, exitUsage, "fill", table, "--from", out, "--map", mapping, "-o", table, "--write")              // over the registry
	if !strings.Contains(said, "another file") {
		t.Errorf("said %q", said)
	}
	ran(t, exitUsage, "fill", table, "--from", out, "--map", mapping, "-o", key, "--write")
	if b, err := os.ReadFile(key); err != nil || string(b) != "0123456789abcdef" {
		t.Errorf("the key is %q, %v", b, err)
	}
}

func TestAgree(t *testing.T) {
	var femurs []measure.Femur
	readings := "reader,source,neck_shaft_angle_deg\n"
	for i := range 6 {
		f := measure.Femur{Record: measure.Record{Source: string(rune('a' + i)), Frame: 1, Side: "R", View: "AP"}}
		f.Record.Set(measure.NeckShaftAngle, 120+float64(i), 0.8)
		femurs = append(femurs, f)
		readings += fmt.Sprintf("first,%s,%d\n", f.Record.Source, 121+i)
	}
	out := outputOf(t, settings{}, femurs...)
	dir := t.TempDir()
	page := filepath.Join(dir, "agreement.html")
	said, _ := ran(t, exitMeasured, "agree", write(t, filepath.Join(dir, "readers.csv"), readings), "--from", out, "-o", page)
	if !strings.Contains(said, "6 femurs, 1 readers") {
		t.Errorf("said %q", said)
	}
	b, err := os.ReadFile(page)
	if err != nil || !strings.Contains(string(b), "-1.00 (-1.00\u00a0to\u00a0-1.00)") { // every reading is one above
		t.Errorf("page without the bias, %v", err)
	}
	ran(t, exitUsage, "agree", write(t, filepath.Join(dir, "unknown.csv"), "reader,source,hue\na,a,1\n"), "--from", out, "-o", page)
	readers := filepath.Join(dir, "readers.csv")
	ran(t, exitUsage, "agree", readers, "--from", out, "-o", readers) // over the readings
}
