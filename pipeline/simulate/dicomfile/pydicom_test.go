package dicomfile

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"os/exec"
	"sync"
	"testing"
)

// pydicomServer answers "pixels PATH" and "header PATH", a line each, with a
// length and that many bytes. One process reads all files, since starting it
// takes longer than the reading.
const pydicomServer = `
import sys, json, struct, pydicom, pydicom.fileset, numpy
out = sys.stdout.buffer
def say(b):
    out.write(struct.pack("<I", len(b)) + b)
    out.flush()
say(b"ready")
for line in sys.stdin:
    what, path = line.rstrip("\n").split(" ", 1)
    d = pydicom.dcmread(path)
    if what == "pixels":
        say((d.pixel_array.astype("<i4") & 0xffff).astype("<u2").tobytes())
    else:
        say(json.dumps({e.keyword: str(e.value) for e in d if e.keyword != "PixelData"}).encode())
`

// pydicomProcess is the server, or nothing where python3-pydicom is missing.
var pydicomProcess = sync.OnceValue(func() func(what, path string) ([]byte, error) {
	cmd := exec.Command("/usr/bin/python3", "-c", pydicomServer)
	cmd.Stderr = os.Stderr
	in, errIn := cmd.StdinPipe()
	out, errOut := cmd.StdoutPipe()
	if errIn != nil || errOut != nil || cmd.Start() != nil {
		return nil
	}
	r := bufio.NewReader(out)
	answer := func() ([]byte, error) {
		var n uint32
		if err := binary.Read(r, binary.LittleEndian, &n); err != nil {
			return nil, err
		}
		b := make([]byte, n)
		_, err := io.ReadFull(r, b)
		return b, err
	}
	if _, err := answer(); err != nil {
		return nil
	}
	var mu sync.Mutex
	return func(what, path string) ([]byte, error) {
		mu.Lock()
		defer mu.Unlock()
		if _, err := fmt.Fprintln(in, what, path); err != nil {
			return nil, err
		}
		return answer()
	}
})

func havePydicom() bool { return pydicomProcess() != nil }

// askPydicom returns the server's answer. A file that pydicom cannot read ends
// it, with its reason on stderr.
func askPydicom(t *testing.T, what, path string) []byte {
	t.Helper()
	b, err := pydicomProcess()(what, path)
	if err != nil {
		t.Fatalf("pydicom: %s: %v", path, err)
	}
	return b
}
