package main

import (
	"bytes"
	"strings"
	"testing"

	"shaftgauge/pipeline"
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
