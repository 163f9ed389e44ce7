package main

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// pkg is what go list says of a package.
type pkg struct {
	ImportPath string
	Imports    []string // direct
	Deps       []string // all
	CgoFiles   []string
	Standard   bool
}

// goList lists packages with their dependencies.
func goList(t *testing.T, cgo string, patterns ...string) map[string]pkg {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-deps", "-json=ImportPath,Imports,Deps,CgoFiles,Standard"}, patterns...)...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	all := make(map[string]pkg)
	for dec := json.NewDecoder(out); ; {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		all[p.ImportPath] = p
	}
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	return all
}

// within reports whether path is the package dir or below it.
func within(path, dir string) bool { return path == dir || strings.HasPrefix(path, dir+"/") }

// TestImports fails when a package imports what it must not: the arrows of
// DEVELOPERS.md.
func TestImports(t *testing.T) {
	all := goList(t, "1", "shaftgauge/...")
	forbidden := []struct{ from, to string }{
		{"shaftgauge/measure", "shaftgauge/detect"},
		{"shaftgauge/measure", "shaftgauge/pipeline"},
		{"shaftgauge/measure", "shaftgauge/export"},
		{"shaftgauge/export", "shaftgauge/pipeline"},
		{"shaftgauge/export", "shaftgauge/detect"},
		{"shaftgauge/detect", "shaftgauge/pipeline"},
		{"shaftgauge/detect", "shaftgauge/export"},
		{"shaftgauge/pipeline", "shaftgauge/export"},
	}
	seen := 0
	for _, p := range all {
		if !within(p.ImportPath, "shaftgauge") {
			continue
		}
		seen++
		for _, to := range p.Imports {
			for _, f := range forbidden {
				if within(p.ImportPath, f.from) && within(to, f.to) {
					t.Errorf("%s imports %s", p.ImportPath, to)
				}
			}
			if within(to, "shaftgauge/cmd") {
				t.Errorf("%s imports the command %s", p.ImportPath, to)
			}
			if within(p.ImportPath, "shaftgauge/detect") && within(to, "shaftgauge/measure") && to != "shaftgauge/measure/geom" {
				t.Errorf("%s imports %s: detect and measure meet in geom only", p.ImportPath, to)
			}
			if within(p.ImportPath, "shaftgauge/measure/geom") && within(to, "shaftgauge") {
				t.Errorf("geom is a leaf and imports %s", to)
			}
			if within(p.ImportPath, "shaftgauge/measure") && !all[to].Standard && !within(to, "shaftgauge/measure") && !within(to, "gonum.org/v1/gonum") {
				t.Errorf("%s imports %s: measure takes the standard library and gonum only", p.ImportPath, to)
			}
			if within(to, "shaftgauge/pipeline/film") && !within(p.ImportPath, "shaftgauge/cmd/filmworker") {
				t.Errorf("%s imports %s: only the worker does", p.ImportPath, to)
			}
		}
		if within(p.ImportPath, "shaftgauge/measure") {
			for _, io := range []string{"os", "net", "image", "database/sql"} {
				if slices.Contains(p.Imports, io) {
					t.Errorf("%s imports %s: measure does no input or output", p.ImportPath, io)
				}
			}
		}
	}
	if seen < 10 {
		t.Fatalf("only %d packages of this module seen", seen)
	}
}

// TestFrontLinksNoC: the front command builds without cgo and holds no package
// of the worker's side.
func TestFrontLinksNoC(t *testing.T) {
	all := goList(t, "0", "shaftgauge/cmd/shaftgauge")
	for _, p := range all["shaftgauge/cmd/shaftgauge"].Deps {
		for _, c := range []string{"gocv.io", "shaftgauge/detect", "shaftgauge/pipeline/film", "shaftgauge/pipeline/intake", "runtime/cgo"} {
			if within(p, c) && p != "shaftgauge/pipeline/intake/part10" { // pure Go: finds elements, decodes nothing
				t.Errorf("the front command links %s", p)
			}
		}
		if n := len(all[p].CgoFiles); n > 0 {
			t.Errorf("the front command links %d cgo files of %s", n, p)
		}
	}
}
