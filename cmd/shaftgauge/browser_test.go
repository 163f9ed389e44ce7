package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"shaftgauge/measure"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// picturesOf names the folder that the README's pictures of the two pages are
// written to; empty: nowhere.
var picturesOf = os.Getenv("README_PICTURES")

// browser starts a headless Chromium; it skips where there is none.
func browser(t testing.TB, width, height int) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("chromium is not installed")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.WindowSize(width, height),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("enable-blink-features", "ComputedAccessibilityInfo"))
	allocator, end := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(end)
	ctx, end := chromedp.NewContext(allocator)
	t.Cleanup(end)
	ctx, end = context.WithTimeout(ctx, 6*time.Minute)
	t.Cleanup(end)
	return ctx
}

// served starts shaftgauge review in the folder dir and returns the address of
// its page.
func served(t testing.TB, program, dir, out string) string {
	t.Helper()
	cmd := exec.Command(program, "review", out, "--reviewer", "first reader")
	cmd.Dir = dir
	said, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = cmd.Stdout
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() })
	lines := bufio.NewScanner(said)
	for lines.Scan() {
		if i := strings.Index(lines.Text(), "http"); i >= 0 {
			go io.Copy(io.Discard, said)
			return strings.TrimSpace(lines.Text()[i:])
		}
	}
	t.Fatal("the review did not say where its page is")
	return ""
}

func do(t testing.TB, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
}

// js evaluates an expression, waiting for it where it is a promise.
func js[T any](t testing.TB, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// until waits for an expression to be true.
func until(t testing.TB, ctx context.Context, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(2*time.Minute))); err != nil {
		t.Fatalf("until %s: %v", expression, err)
	}
}

// cell reads a number of the page's table.
func cell(t testing.TB, ctx context.Context, column string) float64 {
	t.Helper()
	text := js[string](t, ctx, fmt.Sprintf(`document.querySelector('tr[data-column="%s"] td').textContent`, column))
	x, err := strconv.ParseFloat(strings.Fields(text)[0], 64)
	if err != nil {
		t.Fatalf("%s is %q", column, text)
	}
	return x
}

// loaded waits until a row and its film are shown, and returns the row's id.
func loaded(t testing.TB, ctx context.Context) string {
	t.Helper()
	until(t, ctx, `document.body.dataset.ready !== undefined`)
	return js[string](t, ctx, `document.body.dataset.ready`)
}

// wholeFilm tells how the whole film of a row lies on the screen: its scale, and where
// a film pixel is.
func wholeFilm(t testing.TB, ctx context.Context, id string) (k float64, place func(x, y float64) (float64, float64)) {
	t.Helper()
	box := js[struct{ Left, Top, Width, Height, Cols, Rows float64 }](t, ctx, `(async () => {
		const b = document.querySelector("#view-main canvas").getBoundingClientRect();
		const v = new DataView(await (await fetch("/api/image/`+id+`")).arrayBuffer());
		return { Left: b.left, Top: b.top, Width: b.width, Height: b.height, Cols: v.getUint32(16), Rows: v.getUint32(20) };
	})()`)
	k = math.Min(box.Width/box.Cols, box.Height/box.Rows)
	return k, func(x, y float64) (float64, float64) {
		return box.Left + (box.Width-box.Cols*k)/2 + (x+0.5)*k, box.Top + (box.Height-box.Rows*k)/2 + (y+0.5)*k
	}
}

// measuredHips is the output for two simulated films of hips.
func measuredHips(t testing.TB, program string) string {
	t.Helper()
	films, out := filepath.Join(t.TempDir(), "films"), filepath.Join(t.TempDir(), "out")
	s := simulation{films: 2, seed: 5, group: "ap_hip", plain: true, quiet: true, syntax: string(dicomfile.ExplicitLittleEndian)}
	if err := s.write(t.Context(), films, nil); err != nil {
		t.Fatal(err)
	}
	shaftgauge(t, program, "measure", films, "-o", out, "--quiet")
	return out
}

// TestReviewInBrowser reviews a film in a real browser: it loads and zooms,
// drags the head's centre and sees the neck-shaft angle turn as the geometry
// says, saves, loads the page again and finds the decision kept.
func TestReviewInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("builds both programs and starts a browser")
	}
	program := build(t)
	out := measuredHips(t, program)
	ctx := browser(t, 1500, 950)
	do(t, ctx, chromedp.Navigate(served(t, program, "", out)))

	// A row with a neck-shaft angle.
	id := loaded(t, ctx)
	if !js[bool](t, ctx, `document.querySelector('tr[data-column="neck_shaft_angle_deg"]') !== null`) {
		do(t, ctx, chromedp.KeyEvent("d"))
		until(t, ctx, fmt.Sprintf(`document.body.dataset.ready !== %q`, id))
		id = loaded(t, ctx)
	}
	before := cell(t, ctx, string(measure.NeckShaftAngle))
	type row struct {
		Geometry struct {
			Landmarks map[string]struct{ X, Y float64 }    `json:"landmarks"`
			Levels    map[string][2]struct{ X, Y float64 } `json:"levels"`
		} `json:"geometry"`
		Decision struct {
			State   string `json:"state"`
			Version int    `json:"version"`
		} `json:"decision"`
	}
	now := func() row {
		t.Helper()
		return js[row](t, ctx, fmt.Sprintf(`fetch("/api/row/%s").then((r) => r.json())`, id))
	}
	head, neck := now().Geometry.Landmarks["head_centre"], now().Geometry.Landmarks["neck_centre"]

	// Zoomed in and back to the whole film: the scale is that of box and picture.
	do(t, ctx, chromedp.KeyEvent("+"), chromedp.KeyEvent("-"), chromedp.KeyEvent("+"), chromedp.KeyEvent("f"))
	k, place := wholeFilm(t, ctx, id)
	// Each level's name runs away from the bone, which it would hide on one side of
	// the body.
	names := js[map[string]string](t, ctx, `new Promise((done) => {
		const names = {}, pen = CanvasRenderingContext2D.prototype, write = pen.fillText;
		pen.fillText = function (s, x, y) { names[s] = this.textAlign; write.call(this, s, x, y); };
		document.dispatchEvent(new KeyboardEvent("keydown", { key: "f" }));
		setTimeout(() => { pen.fillText = write; done(names); }, 1000);
	})`)
	levels := now().Geometry.Levels
	if len(levels) == 0 {
		t.Error("no levels to name")
	}
	for name, ends := range levels {
		if want := map[bool]string{true: "right", false: "left"}[ends[0].X < ends[1].X]; names[name] != want {
			t.Errorf("the name of level %s runs from its %q end, want %q", name, names[name], want)
		}
	}
	// Turn the head about the neck by 20 degrees.
	turn := 20 * math.Pi / 180
	dx, dy := head.X-neck.X, head.Y-neck.Y
	x0, y0 := place(head.X, head.Y)
	x1, y1 := place(neck.X+dx*math.Cos(turn)-dy*math.Sin(turn), neck.Y+dx*math.Sin(turn)+dy*math.Cos(turn))
	do(t, ctx, chromedp.DragAndDropXY(x0, y0, x1, y1, 8))
	until(t, ctx, `document.body.dataset.previewed !== undefined`)
	after := cell(t, ctx, string(measure.NeckShaftAngle))
	// A pixel of the screen is 1/k of the film's: that is how well a pointer turns.
	slack := 180/math.Pi/k/math.Hypot(dx, dy) + 0.05
	if d := math.Abs(math.Abs(after-before) - 20); !(d <= slack) {
		t.Errorf("neck-shaft angle went from %.2f to %.2f for a turn of 20 degrees, slack %.2f", before, after, slack)
	}

	do(t, ctx, chromedp.KeyEvent("k"))
	until(t, ctx, fmt.Sprintf(`document.querySelector("#row-%s .mark").textContent.includes("corrected")`, id))
	do(t, ctx, chromedp.Reload())
	loaded(t, ctx)
	kept := now()
	if kept.Decision.State != "corrected" || kept.Decision.Version != 1 {
		t.Errorf("after loading again the decision is %+v", kept.Decision)
	}
	if got := kept.Geometry.Landmarks["head_centre"]; math.Hypot(got.X-head.X, got.Y-head.Y) < 1 {
		t.Error("after loading again the head is where it was before the correction")
	}
}

// TestReadmePicturesInBrowser keeps the README's pictures of the review page and of
// the page of a run, both of the output of make demo.
func TestReadmePicturesInBrowser(t *testing.T) {
	if picturesOf == "" {
		t.Skip("README_PICTURES names no folder for them")
	}
	const top, out = "../..", "demo/out" // the films are named as make demo saw them
	page, err := filepath.Abs(filepath.Join(top, out, pageName))
	if err != nil {
		t.Fatal(err)
	}
	ctx := browser(t, 1500, 950)
	keep := func(name string) {
		b, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err == nil {
			err = os.WriteFile(filepath.Join(picturesOf, name), b, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	do(t, ctx, chromedp.Navigate(served(t, build(t), top, out)))
	id := loaded(t, ctx)
	// The first row's finding, nearer.
	at := js[struct{ Peak struct{ X, Y float64 } }](t, ctx, fmt.Sprintf(`fetch("/api/row/%s").then((r) => r.json()).then((r) => r.geometry.focal[0])`, id))
	_, place := wholeFilm(t, ctx, id)
	x, y := place(at.Peak.X, at.Peak.Y)
	js[any](t, ctx, fmt.Sprintf(`document.querySelector("#view-main canvas").dispatchEvent(new WheelEvent("wheel", { deltaY: -700, clientX: %g, clientY: %g, cancelable: true }))`, x, y))
	keep("review.png")
	do(t, ctx, chromedp.EmulateViewport(1240, 660), chromedp.Navigate("file://"+page))
	js[any](t, ctx, `document.getElementById("first").scrollIntoView()`)
	until(t, ctx, `[...document.images].every((i) => i.complete || i.getBoundingClientRect().top > innerHeight)`)
	keep("report.png")
}

// BenchmarkFirstPaint reports how soon the work list of 5,000 rows is on the
// screen, and how long a jump through it takes.
func BenchmarkFirstPaint(b *testing.B) {
	ctx := browser(b, 1500, 950)
	program := build(b)
	out := largeOutput(b, program, 5000)
	do(b, ctx, chromedp.Navigate(served(b, program, "", out)))
	for b.Loop() {
		do(b, ctx, chromedp.Reload())
		until(b, ctx, `document.body.dataset.rows === "5000" && document.querySelector(".row") !== null`)
		b.ReportMetric(js[float64](b, ctx, `performance.getEntriesByName("first-contentful-paint")[0].startTime`), "ms-first-paint")
		b.ReportMetric(js[float64](b, ctx, `performance.now()`), "ms-list")
		b.ReportMetric(js[float64](b, ctx, `new Promise((done) => {
			const l = document.getElementById("list"), t = performance.now();
			l.scrollTop = l.scrollHeight;
			requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - t)));
		})`), "ms-jump")
	}
}

// largeOutput is an output of n rows; the films of all but the first few are
// nowhere.
func largeOutput(t testing.TB, program string, n int) string {
	t.Helper()
	films, out := filepath.Join(t.TempDir(), "films"), filepath.Join(t.TempDir(), "out")
	s := simulation{films: 1, seed: 5, group: "ap_midshaft", plain: true, quiet: true, syntax: string(dicomfile.ExplicitLittleEndian)}
	if err := s.write(t.Context(), films, nil); err != nil {
		t.Fatal(err)
	}
	shaftgauge(t, program, "measure", films, "-o", out, "--quiet")
	f, err := readRows(filepath.Join(out, rowsName))
	if err != nil {
		t.Fatal(err)
	}
	many := make([]measure.Femur, n)
	for i := range many {
		many[i] = f[0]
		r := &many[i].Record
		if i > 0 {
			r.Source = fmt.Sprintf("HV%06d/film-%06d.dcm", i, i)
		}
		r.Values, r.Texts = maps.Clone(r.Values), map[string]string{measure.ReviewReasons: fmt.Sprintf("lateral cortex 1.%d mm above its baseline", i%10)}
		r.Set(measure.ReviewRank, float64(i+1), 0)
	}
	if err := writeRows(out, many); err != nil {
		t.Fatal(err)
	}
	return out
}
