package main

import (
	"context"
	_ "embed"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"shaftgauge/measure"
	"shaftgauge/pipeline/job"
)

//go:embed testdata/accessible.js
var accessibleJS string

// axe is the path of axe-core (axe.min.js), which then looks at the pages as
// well; empty: it does not.
var axe = os.Getenv("AXE_CORE")

// TestPagesAccessible looks at the review page, at the page of a run and at that of
// readers against rows with the eyes of WCAG 2.2, levels A and AA, and goes through
// them with the Tab key.
func TestPagesAccessible(t *testing.T) {
	if testing.Short() {
		t.Skip("builds both programs and starts a browser")
	}
	program := build(t)
	out := measuredHips(t, program)
	ctx := browser(t, 1500, 950)

	t.Run("review", func(t *testing.T) {
		do(t, ctx, chromedp.Navigate(served(t, program, "", out)))
		loaded(t, ctx)
		js[any](t, ctx, `document.querySelectorAll("details").forEach((d) => { d.open = true; })`)
		accessible(t, ctx)
		tabbed(t, ctx)
		dialog(t, ctx)
		byKeyboard(t, ctx)
	})
	t.Run("report", func(t *testing.T) {
		do(t, ctx, chromedp.Navigate("file://"+filepath.Join(out, pageName)))
		js[any](t, ctx, `document.querySelectorAll("details").forEach((d) => { d.open = true; })`)
		accessible(t, ctx)
		tabbed(t, ctx)
	})
	t.Run("agreement", func(t *testing.T) {
		do(t, ctx, chromedp.Navigate("file://"+agreementPage(t)))
		accessible(t, ctx)
		wellFormed(t, ctx)
	})
}

// agreementPage is the page of two readers, who read every film twice, against
// the rows of eight films, with everything on it that the page can have.
func agreementPage(t *testing.T) string {
	t.Helper()
	var femurs []measure.Femur
	readings := "reader,source,neck_shaft_angle_deg,focal\n"
	for i := range 8 {
		f := measure.Femur{Record: measure.Record{Source: string(rune('a' + i)), Frame: 1, Side: "R", View: "AP"}}
		f.Record.Set(measure.NeckShaftAngle, 120+float64(i*i%7), 0.8)
		f.Record.Set(measure.FocalCount, float64(i%2), 0)
		f.Record.Set(measure.ReviewRank, float64(i+1), 0)
		femurs = append(femurs, f)
		for repeat := range 2 {
			readings += fmt.Sprintf("first <b>,%s,%d,%d\nsecond,%s,%d,%d\n", f.Record.Source, 120+i+repeat, i%3, f.Record.Source, 121+i*i%5-repeat, (i+repeat)%2)
		}
	}
	page := filepath.Join(t.TempDir(), "agreement.html")
	ran(t, exitMeasured, "agree", write(t, filepath.Join(t.TempDir(), "readers.csv"), readings), "--from", outputOf(t, settings{}, femurs...), "-o", page)
	return page
}

// wellFormed sees to it that the page's tables have as many cells in each row as
// headers, that no text of it stands for a number that is none or for markup, and
// that the page asks nothing of any other place.
func wellFormed(t *testing.T, ctx context.Context) {
	t.Helper()
	for _, wrong := range js[[]string](t, ctx, `(() => {
		const wrong = [], tables = [...document.querySelectorAll("table")];
		if (tables.length < 5) wrong.push("only " + tables.length + " tables");
		for (const t of tables) {
			const n = new Set([...t.rows].map((r) => [...r.cells].reduce((sum, c) => sum + c.colSpan, 0)));
			if (n.size !== 1) wrong.push("rows of " + [...n] + " cells: " + t.innerText.slice(0, 80));
		}
		if (document.querySelectorAll("svg").length < 3) wrong.push("no plots");
		const text = document.body.innerText.match(/NaN|Inf|undefined|null|%!|&lt;/);
		if (text) wrong.push("the page says " + text[0]);
		if (!document.body.innerText.includes("first <b>")) wrong.push("a reader's name is not as he gave it");
		const asked = performance.getEntriesByType("resource").map((r) => r.name);
		if (asked.length) wrong.push("the page asks for " + asked);
		if (document.documentElement.scrollWidth > innerWidth) wrong.push("1.4.10: the page scrolls sideways");
		return wrong;
	})()`) {
		t.Error(wrong)
	}
}

// accessible reports what is wrong with the page that the browser shows.
func accessible(t *testing.T, ctx context.Context) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](accessibleJS+"; null")); err != nil {
		t.Fatal(err)
	}
	// The ruler first: W3C's definition gives 21 for black on white, and #777777
	// on white is known as the lightest grey that just fails 4.5.
	for pair, want := range map[string]float64{"[0,0,0],[255,255,255]": 21, "[119,119,119],[255,255,255]": 4.48} {
		if got := js[float64](t, ctx, "contrast("+pair+")"); math.Abs(got-want) > 0.005 {
			t.Fatalf("contrast(%s) is %.3f, want %.2f", pair, got, want)
		}
	}
	for _, wrong := range js[[]string](t, ctx, "accessible()") {
		t.Error(wrong)
	}
	if axe == "" {
		return
	}
	script, err := os.ReadFile(axe)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[any](string(script)+"; null")); err != nil {
		t.Fatal(err)
	}
	for _, wrong := range js[[]string](t, ctx, `axe.run(document, { resultTypes: ["violations"] }).then((r) => r.violations.flatMap((v) =>
		v.nodes.map((n) => v.id + " (" + v.impact + "): " + n.target.join(" ") + ": " + n.failureSummary)))`) {
		t.Errorf("axe-core: %s", wrong)
	}
}

// tabbed goes through the page with the Tab key: every control is reached (2.1.1)
// in the order of the document (2.4.3), with a ring that is seen (2.4.7), and the
// keyboard comes back to where it began (2.1.2).
func tabbed(t *testing.T, ctx context.Context) {
	t.Helper()
	type focus struct {
		Place, Control int
		Radio, Name    string
		Ring           float64
	}
	js[any](t, ctx, `document.activeElement.blur()`)
	reached, last := map[int]bool{}, focus{Place: -1}
	for range 400 {
		do(t, ctx, chromedp.KeyEvent("\t"))
		f := js[*focus](t, ctx, "focused()")
		if f == nil || f.Place < last.Place && reached[f.Control] { // round once
			break
		}
		if f.Place < last.Place {
			t.Errorf("2.4.3: %s comes after %s", f.Name, last.Name)
		}
		if f.Ring < 3 {
			t.Errorf("2.4.7: the ring around %s has contrast %.1f", f.Name, f.Ring)
		}
		reached[f.Control], last = true, *f
	}
	names := js[[]string](t, ctx, `controls().map((e) => "<" + e.localName + " id=" + e.id + "> " + e.computedName)`)
	for i, name := range names {
		if !reached[i] {
			t.Errorf("2.1.1: the Tab key does not reach %s", name)
		}
	}
	t.Logf("%d controls", len(names))
}

// dialog opens the keys and closes them again: the focus goes in and comes back
// (2.4.3). Keys of one character can be turned off there (2.1.4).
func dialog(t *testing.T, ctx context.Context) {
	t.Helper()
	js[any](t, ctx, `document.querySelector("#list").focus()`)
	do(t, ctx, chromedp.KeyEvent("?"))
	if !js[bool](t, ctx, `document.querySelector("#help").contains(document.activeElement)`) {
		t.Error("2.4.3: the dialog opens without the focus")
	}
	do(t, ctx, chromedp.KeyEvent(kb.Escape))
	if !js[bool](t, ctx, `!document.querySelector("#help").open && document.activeElement.id === "list"`) {
		t.Error("2.4.3: the dialog closes and the focus does not come back")
	}
	inverted := func() bool {
		was := js[bool](t, ctx, `document.querySelector("#invert").checked`)
		do(t, ctx, chromedp.KeyEvent("i"))
		return js[bool](t, ctx, `document.querySelector("#invert").checked`) != was
	}
	if !inverted() {
		t.Error("the key i does not invert the film")
	}
	js[any](t, ctx, `document.querySelector("#letters").click()`)
	if inverted() {
		t.Error("2.1.4: the key i works with keys of one character turned off")
	}
	js[any](t, ctx, `document.querySelector("#letters").click()`)
}

// byKeyboard moves an edge and draws one without a pointer (2.1.1): the cross
// moves by 4 pixels of the screen, with Shift by 24.
func byKeyboard(t *testing.T, ctx context.Context) {
	t.Helper()
	id := loaded(t, ctx)
	type point struct{ X, Y float64 }
	type row struct {
		Geometry struct {
			Contours map[string][]point `json:"contours"`
		} `json:"geometry"`
		Decision struct {
			Corrections []job.Correction `json:"corrections"`
		} `json:"decision"`
	}
	now := func() row {
		return js[row](t, ctx, fmt.Sprintf(`fetch("/api/row/%s").then((r) => r.json())`, id))
	}
	box := js[struct{ Width, Height, Cols, Rows float64 }](t, ctx, `(async () => {
		const c = document.querySelector("#view-main canvas");
		const v = new DataView(await (await fetch("/api/image/`+id+`")).arrayBuffer());
		return { Width: c.clientWidth, Height: c.clientHeight, Cols: v.getUint32(16), Rows: v.getUint32(20) };
	})()`)
	k := math.Min(box.Width/box.Cols, box.Height/box.Rows) // pixels of the screen to one of the film
	press := func(key string, n int, shift bool) {
		t.Helper()
		var options []chromedp.KeyOption
		if shift {
			options = append(options, chromedp.KeyModifiers(chromedp.ModifierShift))
		}
		do(t, ctx, chromedp.KeyEvent(strings.Repeat(key, n), options...))
	}
	saved := func() job.Correction {
		t.Helper()
		until(t, ctx, `document.body.dataset.previewed !== undefined`)
		js[any](t, ctx, `delete document.body.dataset.previewed, document.querySelector("#list").focus()`)
		do(t, ctx, chromedp.KeyEvent("k"))
		until(t, ctx, fmt.Sprintf(`document.querySelector("#row-%s .mark").textContent.includes("corrected")`, id))
		c := now().Decision.Corrections
		if len(c) != 1 {
			t.Fatalf("%d corrections saved", len(c))
		}
		js[any](t, ctx, `delete document.body.dataset.ready`)
		do(t, ctx, chromedp.KeyEvent("e")) // back to this row, which saving left
		until(t, ctx, fmt.Sprintf(`document.body.dataset.ready === %q`, id))
		do(t, ctx, chromedp.KeyEvent("b"))
		until(t, ctx, fmt.Sprintf(`!document.querySelector("#row-%s .mark").textContent.includes("corrected")`, id))
		return c[0]
	}

	// The edge's place that is nearest to the middle of the view, moved 8 pixels.
	do(t, ctx, chromedp.KeyEvent("f"), chromedp.KeyEvent("h"), chromedp.KeyEvent(kb.Enter))
	near, least := point{}, math.Inf(1)
	for _, p := range now().Geometry.Contours["outer_lateral"] {
		if d := math.Hypot(p.X-box.Cols/2, p.Y-box.Rows/2); d < least {
			near, least = p, d
		}
	}
	walk := func(by float64, back, forth string) {
		key := forth
		if by < 0 {
			key, by = back, -by
		}
		press(key, int(by/24), true)
		press(key, int(math.Mod(by, 24)/4), false)
	}
	walk((near.X+0.5-box.Cols/2)*k, kb.ArrowLeft, kb.ArrowRight)
	walk((near.Y+0.5-box.Rows/2)*k, kb.ArrowUp, kb.ArrowDown)
	do(t, ctx, chromedp.KeyEvent(kb.Enter))
	press(kb.ArrowRight, 2, false)
	do(t, ctx, chromedp.KeyEvent(kb.Enter))
	c := saved()
	if d := math.Hypot(c.To[0]-c.From[0], c.To[1]-c.From[1]); c.Kind != job.MoveEdge || math.Abs(d*k-8) > 4*math.Sqrt2 {
		t.Errorf("an edge moved by 8 pixels of the screen, taken within 4 each way: %+v, by %.1f", c, d*k)
	}

	// A line of 96 pixels down the film, a point too much in between taken back.
	do(t, ctx, chromedp.KeyEvent("f"), chromedp.KeyEvent("n"), chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent(kb.Enter))
	press(kb.ArrowDown, 4, true)
	do(t, ctx, chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent(kb.Backspace), chromedp.KeyEvent("c"))
	c = saved()
	if len(c.Points) != 2 || c.Kind != job.DrawEdge || !strings.HasPrefix(c.Name, "outer_") {
		t.Fatalf("drawn: %+v", c)
	}
	if dx, dy := c.Points[1][0]-c.Points[0][0], c.Points[1][1]-c.Points[0][1]; math.Abs(dx) > 0.01 || math.Abs(dy-96/k) > 0.01*96/k {
		t.Errorf("a line of %.1f, %.1f pixels of the film, want 0, %.1f", dx, dy, 96/k)
	}
}
