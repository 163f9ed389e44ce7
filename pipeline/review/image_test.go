package review

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"shaftgauge/measure"
)

func TestImage(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	w := ask(g, h, "GET", "/api/image/1", "", nil)
	tag := w.Header().Get("ETag")
	if w.Code != 200 || w.Body.String() != "\x89PNG of first.dcm" || w.Header().Get("Content-Type") != "image/png" || tag == "" || !strings.Contains(w.Header().Get("Cache-Control"), "private") {
		t.Fatalf("%d %s %v", w.Code, w.Body, w.Header())
	}
	if w := ask(g, h, "GET", "/api/image/0", "", nil); w.Code != 200 || r.worker.count() != 1 {
		t.Errorf("the same frame was read %d times", r.worker.count())
	}
	if w := ask(g, h, "GET", "/api/image/1", "", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); w.Code != http.StatusNotModified || w.Body.Len() > 0 {
		t.Errorf("%d", w.Code)
	}
}

// A film that is no longer the one that was measured is not shown and not
// measured.
func TestFilmChanged(t *testing.T) {
	r := archive(t)
	_, g, h := served(t, r, ann)
	list, err := r.films.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	path := list.Files[0].Path
	if w := ask(g, h, "GET", "/api/image/0", "", nil); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	r.films.images = nil
	if err := os.WriteFile(path, []byte("another film"), 0o644); err != nil {
		t.Fatal(err)
	}
	asks := r.worker.count()
	for _, do := range [][3]string{{"GET", "/api/image/0", ""}, {"POST", "/api/preview/0", `{"corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`},
		{"POST", "/api/decide/0", `{"state":"corrected","corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`}} {
		w := ask(g, h, do[0], do[1], do[2], nil)
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "changed since it was measured") || w.Header().Get("ETag") != "" {
			t.Errorf("%s: %d %s", do[1], w.Code, w.Body)
		}
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if w := ask(g, h, "GET", "/api/image/0", "", nil); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "no longer where it was") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if r.worker.count() != asks {
		t.Error("the worker was given another film")
	}
	if w := ask(g, h, "GET", "/api/row/0", "", nil); w.Code != 200 {
		t.Errorf("its row is still there to be rejected: %d", w.Code)
	}
	// Likewise when the films' table says something else of the film now.
	r.femurs[2].Record.PixelMM *= 2
	if w := ask(g, h, "POST", "/api/preview/2", `{"corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`, nil); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "table says") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	// A femur that a reader drew where nothing was measured has side and view by
	// his word, but not against the header's.
	drawn := &r.femurs[3].Record
	drawn.Status, drawn.Side, drawn.View = measure.StatusNotMeasured, "", ""
	if w := ask(g, h, "POST", "/api/preview/3", `{"corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`, nil); w.Code != http.StatusOK {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	drawn.Side, drawn.SideBasis = measure.Right, measure.ByTag
	if w := ask(g, h, "POST", "/api/preview/3", `{"corrections":[{"kind":"landmark","name":"head_centre","to":[1,3]}]}`, nil); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a left femur drawn on a film of a right one: %d %s", w.Code, w.Body)
	}
	// And with rows of another method: its corrections would mix both.
	r.films.Algorithm = "older/1"
	if w := ask(g, h, "POST", "/api/preview/3", `{"corrections":[{"kind":"landmark","name":"head_centre","to":[1,2]}]}`, nil); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "older/1") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestThumb(t *testing.T) {
	r := archive(t)
	s, g, h := served(t, r, ann)
	dir := t.TempDir()
	s.Thumb = func(source string, frame int) string { return filepath.Join(dir, fmt.Sprint(source, frame, ".png")) }
	if w := ask(g, h, "GET", "/api/thumb/0", "", nil); w.Code != 404 {
		t.Errorf("%d", w.Code)
	}
	im := image.NewRGBA(image.Rect(0, 0, 600, 1200))
	for i := range im.Pix {
		im.Pix[i] = 255
	}
	im.Set(0, 0, color.Black)
	var b bytes.Buffer
	if err := png.Encode(&b, im); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.Thumb("first.dcm", 1), b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	w := ask(g, h, "GET", "/api/thumb/0", "", nil)
	got, kind, err := image.Decode(w.Body)
	if err != nil || kind != "jpeg" || w.Header().Get("Content-Type") != "image/jpeg" || got.Bounds().Dx() != thumbSide/2 || got.Bounds().Dy() != thumbSide {
		t.Errorf("%d %s %v", w.Code, kind, err)
	}
}

func TestPacked(t *testing.T) {
	_, g, h := served(t, archive(t), ann)
	w := ask(g, h, "GET", "/api/row/0", "", func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") })
	if w.Header().Get("Content-Encoding") == "" {
		if w.Body.Len() >= gzipFrom {
			t.Errorf("%d bytes, not packed", w.Body.Len())
		}
		return
	}
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil || !json.Valid(b) {
		t.Errorf("%v: %.80s", err, b)
	}
}
