package main

import (
	_ "embed"
	"flag"
	"fmt"
	"math"
	"os"
	"runtime"
	"strings"
	"time"

	"github.com/BurntSushi/toml"

	"shaftgauge/pipeline"
	"shaftgauge/pipeline/job"
)

// defaults is the commented settings file: what it says is what is used.
//
//go:embed settings.toml
var defaults string

// settings is a settings file. The comments of settings.toml say what each key
// means.
type settings struct {
	MarkerDiameterMM float64 `toml:"marker_diameter_mm" json:"marker_diameter_mm"`
	MaxPixels        int     `toml:"max_pixels" json:"max_pixels"`
	MaxFrames        int     `toml:"max_frames" json:"max_frames"`
	KeyFile          string  `toml:"key_file" json:"key_file"`
	NailsFile        string  `toml:"nails_file" json:"nails_file"`

	Overlays      bool   `toml:"overlays" json:"overlays"`
	PicturePixels int    `toml:"picture_pixels" json:"picture_pixels"`
	Profiles      string `toml:"profiles" json:"profiles"`
	Pseudonymise  bool   `toml:"pseudonymise" json:"pseudonymise"`

	Workers       int     `toml:"workers" json:"workers"`
	TimeLimitS    float64 `toml:"time_limit_s" json:"time_limit_s"`
	MemoryLimitMB int     `toml:"memory_limit_mb" json:"memory_limit_mb"`
	MaxFileMB     int     `toml:"max_file_mb" json:"max_file_mb"`
	MaxMembers    int     `toml:"max_members" json:"max_members"`
}

// defaultSettings returns the settings of settings.toml.
func defaultSettings() settings {
	var s settings
	if err := s.decode(defaults); err != nil {
		panic(err) // the file is part of the program
	}
	return s
}

// decode lays the TOML text over s. An unknown key is an error.
func (s *settings) decode(text string) error {
	md, err := toml.Decode(text, s)
	if err != nil {
		return err
	}
	if unknown := md.Undecoded(); len(unknown) > 0 {
		names := make([]string, len(unknown))
		for i, k := range unknown {
			names[i] = k.String()
		}
		return fmt.Errorf("unknown key %s", strings.Join(names, ", "))
	}
	return nil
}

// load lays the settings file at path over s.
func (s *settings) load(path string) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return usageError{fmt.Sprintf("settings: %v", err)}
	}
	if err := s.decode(string(b)); err != nil {
		return usageError{fmt.Sprintf("settings: %s: %v", path, err)}
	}
	return nil
}

// bind makes flags of the settings, with their present values as defaults.
func (s *settings) bind(fs *flag.FlagSet) {
	fs.Float64Var(&s.MarkerDiameterMM, "marker-diameter", s.MarkerDiameterMM, "diameter of the spherical scale marker in `mm`; 0: none on the films")
	fs.IntVar(&s.MaxPixels, "max-pixels", s.MaxPixels, "refuse frames of more `pixels`")
	fs.IntVar(&s.MaxFrames, "max-frames", s.MaxFrames, "refuse files of more `frames`")
	fs.StringVar(&s.KeyFile, "key-file", s.KeyFile, "`file` with the secret key that makes patient_key")
	fs.StringVar(&s.NailsFile, "nails", s.NailsFile, "`file` with a list of nails to lay into the canal on lateral films")
	fs.BoolFunc("no-overlays", "write no overlay pictures", func(v string) error {
		return parseBool(v, func(b bool) { s.Overlays = !b })
	})
	fs.StringVar(&s.Profiles, "profiles", s.Profiles, "write profiles as `parquet` or csv")
	fs.BoolVar(&s.Pseudonymise, "pseudonymise", s.Pseudonymise, "hash UIDs, study days instead of dates (needs a key file)")
	fs.IntVar(&s.Workers, "workers", s.Workers, "worker `processes`; 0: one a CPU core")
	fs.Func("time-limit", fmt.Sprintf("give a film up after this `time`, such as 90s or 2m (default %v)", s.timeLimit()), func(v string) error {
		d, err := time.ParseDuration(v)
		s.TimeLimitS = d.Seconds()
		return err
	})
	fs.IntVar(&s.MemoryLimitMB, "memory-limit", s.MemoryLimitMB, "end a worker that takes more `MiB`")
	fs.IntVar(&s.MaxFileMB, "max-file", s.MaxFileMB, "refuse film files of more `MiB`")
}

func parseBool(v string, set func(bool)) error {
	switch v {
	case "true":
		set(true)
	case "false":
		set(false)
	default:
		return fmt.Errorf("want true or false")
	}
	return nil
}

func (s *settings) timeLimit() time.Duration {
	return time.Duration(math.Round(s.TimeLimitS * float64(time.Second)))
}

// Beyond these a file's size in bytes would not fit a number.
const mostPixels, mostFrames = 1 << 32, 1 << 20

// validate reports the first setting out of range, in the words of the file.
func (s *settings) validate() error {
	bad := func(key string, value any, want string) error {
		return usageError{fmt.Sprintf("%s = %v, want %s", key, value, want)}
	}
	switch {
	case !(s.MarkerDiameterMM >= 0 && s.MarkerDiameterMM <= 200):
		return bad("marker_diameter_mm", s.MarkerDiameterMM, "0 to 200")
	case s.MaxPixels < 1 || s.MaxPixels > mostPixels:
		return bad("max_pixels", s.MaxPixels, fmt.Sprintf("1 to %d", mostPixels))
	case s.MaxFrames < 1 || s.MaxFrames > mostFrames:
		return bad("max_frames", s.MaxFrames, fmt.Sprintf("1 to %d", mostFrames))
	case s.PicturePixels < 64 || s.PicturePixels > 8192:
		return bad("picture_pixels", s.PicturePixels, "64 to 8192")
	case s.Profiles != "parquet" && s.Profiles != "csv":
		return bad("profiles", s.Profiles, "parquet or csv")
	case s.Pseudonymise && s.KeyFile == "":
		return usageError{"pseudonymise needs a key file"}
	case s.Workers < 0 || s.Workers > 1024:
		return bad("workers", s.Workers, "0 to 1024")
	case !(s.TimeLimitS >= 0.1 && s.TimeLimitS <= 86400):
		return bad("time_limit_s", s.TimeLimitS, "0.1 to 86400")
	case s.MemoryLimitMB < pipeline.MinMemory>>20 || s.MemoryLimitMB > 1<<20:
		return bad("memory_limit_mb", s.MemoryLimitMB, fmt.Sprintf("%d to %d", pipeline.MinMemory>>20, 1<<20))
	case s.MaxFileMB < 1 || s.MaxFileMB > 1<<20:
		return bad("max_file_mb", s.MaxFileMB, fmt.Sprintf("1 to %d", 1<<20))
	case s.MaxMembers < 1:
		return bad("max_members", s.MaxMembers, "1 or more")
	}
	return nil
}

// minKeyBytes is the least length of a key, as long as an AES-128 key. HMAC
// (RFC 2104 §3) advises the length of its hash, 32 bytes.
const minKeyBytes = 16

// config returns the batch's configuration but for the paths of the output.
func (s *settings) config() (pipeline.Config, error) {
	c := pipeline.Config{
		Film: job.Settings{
			MarkerDiameterMM: s.MarkerDiameterMM,
			MaxPixels:        s.MaxPixels,
			MaxFrames:        s.MaxFrames,
		},
		Workers:      s.Workers,
		TimeLimit:    s.timeLimit(),
		MemoryLimit:  int64(s.MemoryLimitMB) << 20,
		MaxBytes:     int64(s.MaxFileMB) << 20,
		Pseudonymise: s.Pseudonymise,
	}
	if c.Workers == 0 {
		c.Workers = runtime.NumCPU()
	}
	if s.Overlays {
		c.Film.Picture = s.PicturePixels
	}
	if s.KeyFile != "" {
		key, err := os.ReadFile(s.KeyFile)
		if err != nil {
			return c, usageError{fmt.Sprintf("key file: %v", err)}
		}
		if len(key) < minKeyBytes {
			return c, usageError{fmt.Sprintf("key file: %d bytes, need %d or more", len(key), minKeyBytes)}
		}
		c.Film.PatientKey = key
	}
	if s.NailsFile != "" {
		nails, err := readNails(s.NailsFile)
		if err != nil {
			return c, err
		}
		c.Film.Nails = nails
	}
	return c, nil
}
