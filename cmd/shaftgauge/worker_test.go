package main

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"shaftgauge/export"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// programs are the front and the real worker beside each other, built once for
// all tests.
var programs struct {
	once sync.Once
	dir  string
	err  error
}

// build returns the path of the built front.
func build(t testing.TB) string {
	t.Helper()
	programs.once.Do(func() {
		if programs.dir, programs.err = os.MkdirTemp("", "shaftgauge"); programs.err != nil {
			return
		}
		for name, cgo := range map[string]string{"shaftgauge": "0", "filmworker": "1"} {
			cmd := exec.Command("go", "build", "-buildvcs=false", "-o", filepath.Join(programs.dir, name), "shaftgauge/cmd/"+name)
			cmd.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
			if out, err := cmd.CombinedOutput(); err != nil {
				programs.err = fmt.Errorf("%w: %s", err, out)
				return
			}
		}
	})
	if programs.err != nil {
		t.Fatal(programs.err)
	}
	return filepath.Join(programs.dir, "shaftgauge")
}

// tidied removes the built programs after the tests.
type tidied struct{ *testing.M }

func (m tidied) Run() int {
	defer func() { os.RemoveAll(programs.dir) }()
	return m.M.Run()
}

// shaftgauge runs the built command and returns its exit code.
func shaftgauge(t testing.TB, program string, args ...string) int {
	t.Helper()
	cmd := exec.Command(program, args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	var exit *exec.ExitError
	if err := cmd.Run(); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	t.Logf("shaftgauge %s: exit code %d: %s", args[0], cmd.ProcessState.ExitCode(), strings.TrimSpace(said.String()))
	return cmd.ProcessState.ExitCode()
}

// simulated returns a folder of n films of the first groups and their truth.
func simulated(t testing.TB, n int) (string, dicomfile.ArchiveTruth) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "films")
	s := simulation{films: n, seed: 11, plain: true, quiet: true, syntax: string(dicomfile.ExplicitLittleEndian)}
	if err := s.write(t.Context(), dir, nil); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, dicomfile.TruthFile))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	truth, err := dicomfile.ReadTruth(f)
	if err != nil {
		t.Fatal(err)
	}
	return dir, truth
}

// rows reads measurements.csv of an output: for each source its rows by column.
func rows(t testing.TB, out string) map[string][]map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(out, tableName))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	bySource := make(map[string][]map[string]string)
	for _, line := range lines[1:] {
		row := make(map[string]string)
		for i, cell := range line {
			row[lines[0][i]] = cell
		}
		bySource[row["source"]] = append(bySource[row["source"]], row)
	}
	return bySource
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestRealWorker takes an archive of simulated and of damaged films through the
// whole program: every film has its row, damage costs only its own film, and
// neither the number of workers nor a kill changes a byte.
func TestRealWorker(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the film worker")
	}
	program := build(t)
	films, truth := simulated(t, 4)
	whole := read(t, filepath.Join(films, truth.Films[0].Source))
	for name, b := range map[string][]byte{
		"damaged/truncated.dcm": whole[:len(whole)/3],
		"damaged/head.dcm":      whole[:200],
		"damaged/empty.dcm":     {},
		"damaged/text.dcm":      []byte("no film at all"),
		"damaged/giant.dcm":     giant(t, whole),
		"damaged/notes.txt":     []byte("words"),
	} {
		path := filepath.Join(films, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	one := filepath.Join(t.TempDir(), "one")
	if code := shaftgauge(t, program, "measure", films, "-o", one, "--workers", "1"); code != exitNotMeasured {
		t.Errorf("exit code %d, want %d: some films are damaged", code, exitNotMeasured)
	}
	got := rows(t, one)
	measured := 0
	for _, f := range truth.Films {
		r := got[f.Source]
		if len(r) > 0 && r[0]["status"] != "not_measured" {
			measured++
		}
		if len(r) == 0 || len(r) < f.Frames {
			t.Errorf("%s: %d rows for %d frames", f.Source, len(r), f.Frames)
		}
		for _, row := range r {
			for _, bad := range []string{"unreadable_file", "worker_crashed", "time_limit", "memory_limit"} {
				if strings.Contains(row["reasons"], bad) {
					t.Errorf("%s: %s", f.Source, row["reasons"])
				}
			}
			if row["instance_uid"] != f.InstanceUID {
				t.Errorf("%s: instance %s, want %s", f.Source, row["instance_uid"], f.InstanceUID)
			}
		}
	}
	if measured == 0 {
		t.Errorf("none of %d simulated films is measured", len(truth.Films))
	}
	for _, name := range []string{"truncated", "head", "empty", "text", "giant"} {
		r := got["damaged/"+name+".dcm"]
		if len(r) != 1 || r[0]["status"] != "not_measured" || r[0]["reasons"] == "" {
			t.Errorf("damaged/%s.dcm: %v", name, r)
		}
	}
	if n := len(truth.Films) + 5; len(got) != n {
		t.Errorf("%d films have rows, want %d: %v", len(got), n, slices.Sorted(maps.Keys(got)))
	}
	checkRun(t, one, len(got))

	two := filepath.Join(t.TempDir(), "two")
	killed(t, program, films, two)
	if _, err := os.Stat(filepath.Join(two, tableName)); err == nil {
		t.Log("the run was over before it was killed")
	}
	shaftgauge(t, program, "measure", films, "-o", two, "--workers", "2", "--no-overlays")
	for _, name := range []string{tableName, export.Pairs.Name, export.Focals.Name} {
		if !bytes.Equal(read(t, filepath.Join(one, name)), read(t, filepath.Join(two, name))) {
			t.Errorf("%s of one worker and of two workers that were killed once differ", name)
		}
	}
}

// killed starts a run and kills it when the first geometry file is there.
func killed(t *testing.T, program, films, out string) {
	t.Helper()
	cmd := exec.Command(program, "measure", films, "-o", out, "--workers", "2", "--no-overlays", "--quiet")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if files, err := filepath.Glob(filepath.Join(out, geometryDir, "*.json")); err != nil {
			t.Fatal(err)
		} else if len(files) > 0 {
			break
		}
	}
	if err := cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	cmd.Wait() // killed
}

// giant returns the film, in explicit little endian, with Rows and Columns
// (0028,0010), (0028,0011) as large as they can be.
func giant(t *testing.T, film []byte) []byte {
	t.Helper()
	b := bytes.Clone(film)
	for _, element := range []string{"\x28\x00\x10\x00US\x02\x00", "\x28\x00\x11\x00US\x02\x00"} {
		i := bytes.Index(b, []byte(element))
		if i < 0 {
			t.Fatal("no size in the film")
		}
		binary.LittleEndian.PutUint16(b[i+len(element):], 0xffff)
	}
	return b
}

// checkRun looks at run.json.
func checkRun(t *testing.T, out string, films int) {
	t.Helper()
	var r report
	if err := json.Unmarshal(read(t, filepath.Join(out, runName)), &r); err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, n := range r.ByStatus {
		total += n
	}
	if r.Films != films || len(r.Inputs) != films || total != r.Rows || r.Settings.MaxPixels != defaultSettings().MaxPixels {
		t.Errorf("run.json: %d films, %d inputs, %d of %d rows", r.Films, len(r.Inputs), total, r.Rows)
	}
}

// BenchmarkHelp is the time to the front command's first answer: it loads no C.
func BenchmarkHelp(b *testing.B) {
	program := build(b)
	for b.Loop() {
		if err := exec.Command(program, "--help").Run(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBatch measures 48 films on one core by one worker and on two cores by
// two, overlays off, worker start included, and reports by how much two are
// faster: at least 1.8 times is asked. Each of eight films stands for six, which
// differ in their instance UID only.
func BenchmarkBatch(b *testing.B) {
	const copies, rounds = 6, 3
	program := build(b)
	films, truth := simulated(b, 8)
	for _, f := range truth.Films {
		path := filepath.Join(films, filepath.FromSlash(f.Source))
		film := read(b, path)
		for i := range copies - 1 {
			uid := f.InstanceUID[:len(f.InstanceUID)-2] + fmt.Sprint(10+i)
			other := bytes.ReplaceAll(film, []byte(f.InstanceUID), []byte(uid))
			if err := os.WriteFile(fmt.Sprintf("%s-%d.dcm", path, i), other, 0o644); err != nil {
				b.Fatal(err)
			}
		}
	}
	run := func(cores int) time.Duration {
		defer onCores(b, cores)()
		out := filepath.Join(b.TempDir(), "out")
		start := time.Now()
		shaftgauge(b, program, "measure", films, "-o", out, "--workers", fmt.Sprint(cores), "--no-overlays", "--quiet")
		return time.Since(start)
	}
	best := [3]time.Duration{1: time.Hour, 2: time.Hour} // by cores; other programs disturb the best round least
	for b.Loop() {
		for range rounds {
			for cores := 1; cores <= 2; cores++ {
				best[cores] = min(best[cores], run(cores))
			}
		}
	}
	n := float64(len(truth.Films) * copies)
	b.ReportMetric(n/best[1].Seconds(), "films/s-1core")
	b.ReportMetric(n/best[2].Seconds(), "films/s-2cores")
	b.ReportMetric(best[1].Seconds()/best[2].Seconds(), "speedup")
}

// onCores keeps this thread, and the programs that it starts, to the first n CPU
// cores that it may use, until the function that it returns is called.
func onCores(b *testing.B, n int) (restore func()) {
	b.Helper()
	runtime.LockOSThread()
	var all, some unix.CPUSet
	if err := unix.SchedGetaffinity(0, &all); err != nil {
		b.Fatal(err)
	}
	if all.Count() < n {
		b.Skipf("%d cores, need %d", all.Count(), n)
	}
	for cpu := 0; some.Count() < n; cpu++ {
		if all.IsSet(cpu) {
			some.Set(cpu)
		}
	}
	if err := unix.SchedSetaffinity(0, &some); err != nil {
		b.Fatal(err)
	}
	return func() {
		if err := unix.SchedSetaffinity(0, &all); err != nil {
			b.Fatal(err)
		}
		runtime.UnlockOSThread()
	}
}
