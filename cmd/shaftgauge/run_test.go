package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/pipeline"
	"shaftgauge/pipeline/accuracy"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// Only measure keeps what was done before an interrupt: no other command may promise it.
func TestInterruptedSaysWhatIsKept(t *testing.T) {
	for name, kept := range map[string]bool{"measure": true, "dicom": false, "simulate": false, "verify": false} {
		var said bytes.Buffer
		if code := exitCode(name, pipeline.ErrInterrupted, &said); code != exitInterrupted {
			t.Errorf("%s: exit code %d", name, code)
		}
		if got := strings.Contains(said.String(), "are kept"); got != kept {
			t.Errorf("%s: %s", name, said.String())
		}
	}
}

// A table that cannot be written to its file is printed all the same.
func TestVerifyPrintsFirst(t *testing.T) {
	var said bytes.Buffer
	err := tell(accuracy.Compare(nil, accuracy.Options{}), &said, filepath.Join(t.TempDir(), "none", "table.csv"), "")
	if err == nil || !strings.Contains(said.String(), "Checks") {
		t.Errorf("error %v, said %q", err, said.String())
	}
}

// Films without their truth are not measured first.
func TestVerifyWantsTruth(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "a.dcm"), "a film")
	if _, said := ran(t, exitFatal, "verify", "--from", dir); !strings.Contains(said, dicomfile.TruthFile) {
		t.Errorf("said %q", said)
	}
}
