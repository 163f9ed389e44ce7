package main

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// TestDefaultsAreWhole: the printed settings file holds every key, and its
// values are in range.
func TestDefaultsAreWhole(t *testing.T) {
	s := defaultSettings()
	if err := s.validate(); err != nil {
		t.Error(err)
	}
	for i := range reflect.TypeFor[settings]().NumField() {
		f := reflect.TypeFor[settings]().Field(i)
		key := f.Tag.Get("toml")
		if !strings.Contains(defaults, "\n"+key+" = ") {
			t.Errorf("settings.toml lacks %q", key)
		}
		if f.Tag.Get("json") != key {
			t.Errorf("%s is called %q in run.json", key, f.Tag.Get("json"))
		}
	}
}

func TestStrictSettings(t *testing.T) {
	for name, text := range map[string]string{
		"unknown key":   "colour = 1",
		"unknown table": "[more]\nworkers = 1",
		"wrong type":    `max_pixels = "many"`,
		"fraction":      "workers = 1.5",
		"twice":         "workers = 1\nworkers = 2",
		"no TOML":       "workers: 1",
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "settings.toml")
			if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			s := defaultSettings()
			var wrong usageError
			if err := s.load(path); !errors.As(err, &wrong) || !strings.Contains(err.Error(), path) {
				t.Errorf("error %v, want a usage error that names the file", err)
			}
		})
	}
}

func TestSettingsInRange(t *testing.T) {
	for name, change := range map[string]func(*settings){
		"marker_diameter_mm": func(s *settings) { s.MarkerDiameterMM = -1 },
		"max_pixels":         func(s *settings) { s.MaxPixels = 0 },
		"max_frames":         func(s *settings) { s.MaxFrames = 0 },
		"max_pixels ":        func(s *settings) { s.MaxPixels = 1 << 40 },
		"max_frames ":        func(s *settings) { s.MaxFrames = 1 << 40 },
		"picture_pixels":     func(s *settings) { s.PicturePixels = 1 },
		"profiles":           func(s *settings) { s.Profiles = "xml" },
		"pseudonymise":       func(s *settings) { s.Pseudonymise = true },
		"workers":            func(s *settings) { s.Workers = -1 },
		"time_limit_s":       func(s *settings) { s.TimeLimitS = 0 },
		"memory_limit_mb":    func(s *settings) { s.MemoryLimitMB = 1 },
		"max_file_mb":        func(s *settings) { s.MaxFileMB = 0 },
		"max_members":        func(s *settings) { s.MaxMembers = 0 },
	} {
		s := defaultSettings()
		change(&s)
		if err := s.validate(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

func TestParse(t *testing.T) {
	tests := []struct {
		args     string
		operands string
		quiet    bool
		wrong    bool
	}{
		{args: "a b -quiet", operands: "a b", quiet: true},
		{args: "--quiet a", operands: "a", quiet: true},
		{args: "a --quiet=false b", operands: "a b"},
		{args: "a -- -quiet --", operands: "a -quiet --"},
		{args: "a --colour", wrong: true},
		{args: "a --n x", wrong: true},
	}
	for _, tt := range tests {
		fs := newFlags("", os.Stderr)
		quiet := fs.Bool("quiet", false, "")
		fs.Int("n", 0, "")
		got, err := parse(fs, strings.Fields(tt.args))
		var wrong usageError
		if errors.As(err, &wrong) != tt.wrong || strings.Join(got, " ") != tt.operands || *quiet != tt.quiet {
			t.Errorf("%q: %q, quiet %v, error %v", tt.args, got, *quiet, err)
		}
	}
}
