package intake

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/pipeline/job"
)

// pixelScript prints, as 16-bit words, what pydicom reads of a file: stored
// values from the lowest possible on, MONOCHROME1 turned over, colours as BT.601
// luminance. What pydicom cannot decode it reads as gdcmconv has uncompressed it,
// with the first file's word on bits and sign, which GDCM changes.
// The first argument is a folder; FILE.raw appears there for every other argument
// that could be read.
const pixelScript = `
import os, sys, subprocess, pydicom, numpy as np
for path in sys.argv[2:]:
    out = os.path.join(sys.argv[1], os.path.basename(path))
    d = pydicom.dcmread(path, force=True)
    try:
        a = d.pixel_array.astype(np.int64)
    except Exception:
        if subprocess.run(['gdcmconv', '--raw', path, out], capture_output=True).returncode:
            continue
        a = pydicom.dcmread(out).pixel_array.astype(np.int64)
    if d.SamplesPerPixel == 3:
        if d.PhotometricInterpretation in ('RGB', 'YBR_RCT', 'YBR_ICT'):
            a = (299 * a[..., 0] + 587 * a[..., 1] + 114 * a[..., 2] + 500) // 1000
        else:
            a = a[..., 0]
    else:
        a = a & ((1 << d.BitsStored) - 1)
        if d.PixelRepresentation:
            a = a ^ (1 << (d.BitsStored - 1))
        if d.PhotometricInterpretation == 'MONOCHROME1':
            a = (1 << d.BitsStored) - 1 - a
    a.astype('<u2').tofile(out + '.raw')
`

// TestPeerFiles reads the sample files that come with pydicom (Debian package
// python3-pydicom): CT, MR, US and secondary captures of many makers and
// programs, in most transfer syntaxes. Their pixels must be those that pydicom
// and GDCM read.
func TestPeerFiles(t *testing.T) {
	files, _ := filepath.Glob("/usr/lib/python3/dist-packages/pydicom/data/test_files/*.dcm")
	if len(files) == 0 {
		t.Skip("python3-pydicom is not installed")
	}
	if _, err := exec.LookPath("gdcmconv"); err != nil {
		t.Skip("gdcmconv is not installed")
	}
	// For this test only, the reader takes slices for radiographs.
	for _, m := range []string{"CT", "MR", "US", "NM"} {
		modalities[m] = true
		defer delete(modalities, m)
	}
	for _, c := range []string{"2", "4", "6.1", "20"} {
		uid := standardUIDs + "5.1.4.1.1." + c
		sopClasses[uid] = true
		defer delete(sopClasses, uid)
	}
	// Differences allowed on lossy files: rounding (T.81 A.3.3), and where colours
	// are subsampled how they are spread again, which no standard says.
	lossy := map[string]int{"JPGExtended.dcm": 1, "JPEG-lossy.dcm": 1, "JPEG2000.dcm": 1, "SC_rgb_jpeg_lossy_gdcm.dcm": 64}
	dir := t.TempDir()
	opened := map[string]*File{}
	args := []string{"-c", pixelScript, dir}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		in, err := Open(bytes.NewReader(data), int64(len(data)), job.Beside{}, Limits{MaxPixels: 1 << 20, MaxFrames: 8})
		if err != nil {
			t.Logf("%s: %v", filepath.Base(path), err)
			continue
		}
		opened[filepath.Base(path)] = in
		args = append(args, path)
	}
	if out, err := exec.Command("/usr/bin/python3", args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	read := 0
	for name, in := range opened {
		t.Run(name, func(t *testing.T) {
			out, err := os.ReadFile(filepath.Join(dir, name+".raw"))
			if err != nil {
				t.Skip("neither pydicom nor GDCM can read it")
			}
			allowed := lossy[name]
			if allowed == 0 && strings.Contains(name, "jpeg") || strings.Contains(name, "+eb") {
				allowed = 3
			}
			for i := range in.Frames() {
				film, err := in.Frame(i + 1)
				if err != nil {
					t.Fatal(err)
				}
				for k, got := range film.Pixels {
					if len(out) < 2 {
						t.Fatalf("pydicom read %d pixels fewer", len(film.Pixels)-k)
					}
					want := binary.LittleEndian.Uint16(out)
					out = out[2:]
					if film.Padded && got == 0 {
						continue
					}
					if d := int(got) - int(want); d > allowed || -d > allowed {
						t.Fatalf("frame %d, pixel %d is %d, pydicom reads %d", i+1, k, got, want)
					}
				}
			}
			read++
		})
	}
	t.Logf("%d of %d files read and equal", read, len(files))
	if read < 35 {
		t.Errorf("only %d files read", read)
	}
}
