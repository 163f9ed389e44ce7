package source

import (
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/pipeline/job"
)

func TestTable(t *testing.T) {
	root := tree(t, map[string]string{
		"films.csv": "path,patient,date,side,view,pixel_spacing\n" +
			"a.png,HV 1,2024-03-01,r,ap,0.15\n" +
			`sub/b.png,HV 2,20240302,L,LAT,0.2\0.1` + "\n" +
			"gone.png,,,,,\n" +
			"words.txt,,,,,\n",
		"a.png":         "\x89PNG\r\n\x1a\n",
		"sub/b.png":     "\x89PNG\r\n\x1a\n",
		"sub/c.png":     "\x89PNG\r\n\x1a\n",
		"sub/films.csv": "side,path\nR,c.png\n",
		"words.txt":     "words",
	})
	l := list(t, root)
	check(t, "films", sources(l), []string{"a.png", "sub/b.png", "sub/c.png", "words.txt", "gone.png unreadable_file"})
	want := []job.Beside{
		{Patient: "HV 1", Date: "20240301", Side: "R", View: "AP", SpacingX: 0.15, SpacingY: 0.15},
		{Patient: "HV 2", Date: "20240302", Side: "L", View: "LAT", SpacingX: 0.1, SpacingY: 0.2}, // row, then column: PS3.3 §10.7.1.3
		{Side: "R"}, {}, {},
	}
	for i, f := range l.Files {
		if f.Beside != want[i] {
			t.Errorf("%s: %+v, want %+v", f.Source, f.Beside, want[i])
		}
	}
	if l := list(t, filepath.Join(root, "a.png")); l.Files[0].Beside != want[0] {
		t.Errorf("a film given by itself: %+v", l.Files[0].Beside)
	}
}

func TestBadTable(t *testing.T) {
	for name, text := range map[string]string{
		"empty":          "",
		"no path":        "side\nR\n",
		"unknown column": "path,colour\na.png,red\n",
		"column twice":   "path,side,side\na.png,R,L\n",
		"ragged":         "path,side\na.png\n",
		"escape":         "path\n../a.png\n",
		"absolute":       "path\n/etc/passwd\n",
		"twice":          "path\na.png\n./a.png\n",
		"side":           "path,side\na.png,left\n",
		"view":           "path,view\na.png,PA?\n",
		"date":           "path,date\na.png,2024-02-30\n",
		"spacing":        "path,pixel_spacing\na.png,0\n",
		"no number":      "path,pixel_spacing\na.png,NaN\n",
	} {
		t.Run(name, func(t *testing.T) {
			root := tree(t, map[string]string{"a.png": "\x89PNG\r\n\x1a\n", "films.csv": text})
			if _, err := List(t.Context(), []string{root}, options); err == nil {
				t.Error("no error")
			} else if !strings.HasPrefix(err.Error(), "source: ") {
				t.Errorf("error %q", err)
			}
		})
	}
}
