package film_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
	"unsafe"

	"gocv.io/x/gocv"
	"golang.org/x/sys/unix"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/film"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

const (
	benchRows, benchCols = 3000, 2500
	benchMM              = 0.14
)

// benchSyntaxes are the two ends of what archives hold: plain words, and a codec
// that takes longer than all the rest.
var benchSyntaxes = []struct {
	name   string
	syntax dicomfile.Syntax
}{
	{"Uncompressed", dicomfile.ExplicitLittleEndian},
	{"JPEGLossless", dicomfile.JPEGLosslessSV1},
}

// benchFilm is a femur on a plate of 350 × 420 mm.
var benchFilm = sync.OnceValue(func() simulate.Film {
	s := simulate.Draw(rand.New(rand.NewPCG(1, 3)), "ap_full")
	pitch := geom.Spacing{Y: benchMM, X: benchMM}
	s.Plate = simulate.Plate{Width: (benchCols + 0.5) * benchMM, Height: (benchRows + 0.5) * benchMM, Spacing: pitch}
	s.Style.Bits = 16
	f := &s.Facts
	f.Object, f.Modality = simulate.DigitalPresentation, "DX"
	f.ImagerPixelSpacing, f.PixelSpacing, f.CalibrationType = pitch, geom.Spacing{}, ""
	return s.Render()
})

// benchFile stores the film and returns the job of measuring it.
func benchFile(b *testing.B, syntax dicomfile.Syntax) job.Job {
	b.Helper()
	path := filepath.Join(b.TempDir(), "film.dcm")
	w, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	if err := dicomfile.Write(w, benchFilm(), syntax, dicomfile.Options{}); err != nil {
		b.Fatal(err)
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	return job.Job{Path: path, Source: "film.dcm", Config: job.Settings{MaxPixels: 100_000_000, MaxFrames: 1}}
}

// likeWorker makes this process what a batch makes of a worker.
func likeWorker(b *testing.B) {
	b.Helper()
	if err := film.Prepare(); err != nil {
		b.Fatal(err)
	}
	before := runtime.GOMAXPROCS(1)
	b.Cleanup(func() { runtime.GOMAXPROCS(before) })
}

func measureFilm(b *testing.B, j job.Job) {
	checkAnswer(b, film.Measure(context.Background(), j))
}

// checkAnswer fails unless one femur is measured: no other answer is worth
// timing.
func checkAnswer(b *testing.B, a job.Answer) {
	b.Helper()
	if len(a.Femurs) != 1 || a.Femurs[0].Record.Status == measure.StatusNotMeasured {
		b.Fatalf("not measured: %+v", a.Femurs)
	}
}

// floor reads and decodes a film and does the least that any search for edges
// does: one 5 × 5 Gaussian blur and one pair of Sobel derivatives. Its Mats are
// kept from film to film, as new memory would double the time.
type floor struct {
	blurred, dx, dy gocv.Mat
}

func newFloor(b *testing.B) *floor {
	f := &floor{gocv.NewMat(), gocv.NewMat(), gocv.NewMat()}
	b.Cleanup(func() {
		f.blurred.Close()
		f.dx.Close()
		f.dy.Close()
	})
	return f
}

func (f *floor) do(b *testing.B, j job.Job) {
	r, err := os.Open(j.Path)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	info, err := r.Stat()
	if err != nil {
		b.Fatal(err)
	}
	in, err := intake.Open(r, info.Size(), job.Beside{}, intake.Limits{MaxPixels: j.Config.MaxPixels, MaxFrames: j.Config.MaxFrames})
	if err != nil {
		b.Fatal(err)
	}
	img, err := in.Frame(1)
	if err != nil {
		b.Fatal(err)
	}
	m, err := gocv.NewMatFromBytes(img.Rows, img.Cols, gocv.MatTypeCV16U, unsafe.Slice((*byte)(unsafe.Pointer(&img.Pixels[0])), 2*len(img.Pixels)))
	if err != nil {
		b.Fatal(err)
	}
	defer m.Close()
	gocv.GaussianBlur(m, &f.blurred, image.Pt(5, 5), 0, 0, gocv.BorderReplicate)
	gocv.Sobel(f.blurred, &f.dx, gocv.MatTypeCV32F, 1, 0, 3, 1, 0, gocv.BorderReplicate)
	gocv.Sobel(f.blurred, &f.dy, gocv.MatTypeCV32F, 0, 1, 3, 1, 0, gocv.BorderReplicate)
}

// quickest keeps the least processor time of several goes, which other programs
// on the machine disturb least. Both sides run on one thread, so that on a quiet
// machine it is the time on the clock.
type quickest struct {
	best time.Duration
	n    int // goes
}

func (q *quickest) time(b *testing.B, do func()) {
	start := processorTime(b)
	do()
	if t := processorTime(b) - start; q.n == 0 || t < q.best {
		q.best = t
	}
	q.n++
}

func (q quickest) ms() float64 { return q.best.Seconds() * 1000 }

func processorTime(b *testing.B) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_PROCESS_CPUTIME_ID, &t); err != nil {
		b.Fatal(err)
	}
	return time.Duration(t.Nano())
}

// BenchmarkFilm measures a film from its file to its row, overlays off. Beside
// the time it reports how many times the floor that is (at most 2.5 is asked)
// and the most memory that a fresh worker takes beyond what it had before its
// first film (at most 8 bytes a pixel).
func BenchmarkFilm(b *testing.B) {
	for _, c := range benchSyntaxes {
		b.Run(c.name, func(b *testing.B) {
			likeWorker(b)
			j := benchFile(b, c.syntax)
			memory := workerMemory(b, j)
			var film, least quickest
			for f := newFloor(b); least.n < 20; {
				least.time(b, func() { f.do(b, j) })
			}
			measureFilm(b, j) // loads the network
			for b.Loop() {
				film.time(b, func() { measureFilm(b, j) })
			}
			b.ReportMetric(film.ms(), "ms/film")
			b.ReportMetric(film.ms()/least.ms(), "x-floor")
			b.ReportMetric(memory, "B/pixel")
		})
	}
}

// BenchmarkFloor is what BenchmarkFilm is compared with.
func BenchmarkFloor(b *testing.B) {
	for _, c := range benchSyntaxes {
		b.Run(c.name, func(b *testing.B) {
			likeWorker(b)
			j := benchFile(b, c.syntax)
			f := newFloor(b)
			var least quickest
			for b.Loop() {
				least.time(b, func() { f.do(b, j) })
			}
			b.ReportMetric(least.ms(), "ms/film")
		})
	}
}

// workerMemory has a real worker measure the film a few times, as one of a batch
// does, and returns by how many bytes a pixel that raised the most memory it
// ever held.
func workerMemory(b *testing.B, j job.Job) float64 {
	b.Helper()
	program := filepath.Join(b.TempDir(), "filmworker")
	if out, err := exec.Command("go", "build", "-buildvcs=false", "-o", program, "shaftgauge/cmd/filmworker").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	answers, w, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	defer answers.Close()
	cmd := exec.Command(program)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1", "OMP_NUM_THREADS=1")
	cmd.ExtraFiles = []*os.File{w}
	jobs, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	err = cmd.Start()
	w.Close()
	if err != nil {
		b.Fatal(err)
	}
	defer cmd.Wait()
	defer jobs.Close()
	in := json.NewDecoder(bufio.NewReader(answers))
	var hello job.Hello
	if err := in.Decode(&hello); err != nil {
		b.Fatal(err)
	}
	before := mostMemory(b, cmd.Process.Pid)
	for range 4 {
		var a job.Answer
		if err := json.NewEncoder(jobs).Encode(j); err != nil {
			b.Fatal(err)
		}
		if err := in.Decode(&a); err != nil {
			b.Fatal(err)
		}
		checkAnswer(b, a)
	}
	return float64(mostMemory(b, cmd.Process.Pid)-before) / (benchRows * benchCols)
}

// mostMemory returns the peak resident set size of a process in bytes.
//
// Source: proc(5), /proc/pid/status, VmHWM.
func mostMemory(b *testing.B, pid int) int64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		var kB int64
		if n, _ := fmt.Sscanf(line, "VmHWM: %d kB", &kB); n == 1 {
			return kB << 10
		}
	}
	b.Fatal("no VmHWM")
	return 0
}
