package export

import (
	"bytes"
	"image"
	"image/color"
	"io"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// tube is a phantom shaft: a curved tube of known outer and inner radius, its
// film the length of the ray through the wall.
type tube struct {
	x0, y0, y1         float64 // mid-line in pixels of the picture
	radius             float64 // of the mid-line
	outer, inner       float64
	rows, cols         int
	scale              float64
	side               measure.Side
	view               measure.View
	positive, negative string
}

func (t tube) mid(y float64) float64 {
	m := (t.y0 + t.y1) / 2
	return t.x0 + math.Sqrt(t.radius*t.radius-(y-m)*(y-m)) - t.radius
}

func (t tube) picture(others ...tube) Picture {
	p := Picture{Rows: t.rows, Cols: t.cols, Scale: t.scale, Grey: make([]byte, t.rows*t.cols)}
	chord := func(r, d float64) float64 { return 2 * math.Sqrt(max(0, r*r-d*d)) }
	for y := range t.rows {
		for x := range t.cols {
			g := 40.0
			for _, q := range append(others, t) {
				if fy := float64(y); fy > q.y0-20 && fy < q.y1+20 {
					d := float64(x) - q.mid(fy)
					g += 2.0*(chord(q.outer, d)-chord(q.inner, d)) + 0.3*chord(q.inner, d)
				}
			}
			p.Grey[y*t.cols+x] = uint8(min(g, 255))
		}
	}
	return p
}

// film returns the film coordinates of a picture place.
func (t tube) film(x, y float64) geom.PointPx {
	return geom.PointPx{X: (x+0.5)/t.scale - 0.5, Y: (y+0.5)/t.scale - 0.5}
}

func (t tube) geometry() *measure.Geometry {
	g := &measure.Geometry{Source: "harrow-vale/0007/IM0001", Frame: 1, Side: t.side, View: t.view,
		Contours: map[string][]geom.PointPx{}, Landmarks: map[string]geom.PointPx{},
		Circles: map[string]measure.CirclePx{}, Levels: map[string][2]geom.PointPx{}}
	for y := t.y0; y <= t.y1; y += 3 {
		m := t.mid(y)
		g.Midline = append(g.Midline, t.film(m, y))
		for name, dx := range map[string]float64{
			"outer_" + t.positive: t.outer, "inner_" + t.positive: t.inner,
			"outer_" + t.negative: -t.outer, "inner_" + t.negative: -t.inner,
		} {
			g.Contours[name] = append(g.Contours[name], t.film(m+dx, y))
		}
	}
	g.Circles["bow"] = measure.CirclePx{C: t.film(t.x0-t.radius, (t.y0+t.y1)/2), R: t.radius / t.scale}
	for name, f := range map[string]float64{"30": 0.1, "50": 0.17, "100": 0.35, "150": 0.52, "isthmus": 0.56} {
		y := t.y0 + f*(t.y1-t.y0)
		g.Levels[name] = [2]geom.PointPx{t.film(t.mid(y)-t.outer, y), t.film(t.mid(y)+t.outer, y)}
	}
	g.Landmarks["lesser_trochanter"] = t.film(t.mid(t.y0)-t.outer-18, t.y0)
	return g
}

func (t tube) femur() measure.Femur {
	r := measure.Record{Source: "harrow-vale/0007/IM0001", Frame: 1, Side: t.side, SideBasis: measure.ByTag, View: t.view,
		Status: measure.StatusPartial, PixelMM: 0.139, ScaleBasis: "magnification_factor", BowPlane: "coronal",
		LevelOrigin: "lesser_trochanter", Reasons: []measure.Reason{measure.DiaphysisCut, measure.ScaleLowerBound}}
	for q, v := range map[string][2]float64{
		"visible_from_mm": {20, 1.5}, "visible_to_mm": {288, 1}, "shaft_axis_deg": {-3.24, 0.1},
		"bow_curvature_per_m": {0.84, 0.062}, "bow_radius_mm": {1190.4, 88}, "bow_sagitta_mm": {7.6, 0.5},
		"isthmus_level_mm": {158, 6}, "isthmus_canal_width_mm": {11.84, 0.38}, "isthmus_outer_width_mm": {27.9, 0.2}, "isthmus_cortical_index": {0.576, 0.013},
	} {
		r.Set(measure.Quantity(q), v[0], v[1])
	}
	for _, l := range []string{"30", "50", "100", "150"} {
		r.Set(measure.Quantity(t.positive+"_cortex_"+l+"_mm"), 7.42, 0.42)
		r.Set(measure.Quantity(t.negative+"_cortex_"+l+"_mm"), 8.1, 0.51)
		r.Set(measure.Quantity("outer_width_"+l+"_mm"), 28.3, 0.2)
		r.Set(measure.Quantity("canal_width_"+l+"_mm"), 12.8, 0.6)
		r.Set(measure.Quantity("cortical_index_"+l), 0.548, 0.02)
	}
	return measure.Femur{Record: r, Geometry: t.geometry()}
}

func apTube() tube {
	return tube{x0: 360, y0: 220, y1: 1180, radius: 4200, outer: 52, inner: 24, rows: 1400, cols: 980, scale: 0.46,
		side: measure.Left, view: measure.AP, positive: "lateral", negative: "medial"}
}

// find returns the columns of the pixels of row y whose colour is near col.
func find(img *image.RGBA, y, from, to int, col color.RGBA) []int {
	var xs []int
	for x := from; x < to; x++ {
		c := img.RGBAAt(x, y)
		d := func(a, b uint8) float64 { return float64(a) - float64(b) }
		if math.Hypot(d(c.R, col.R), math.Hypot(d(c.G, col.G), d(c.B, col.B))) < 60 {
			xs = append(xs, x)
		}
	}
	return xs
}

// A line lies within a pixel of the place that the geometry gives: film (x, y)
// is at ((x+0.5)·scale−0.5, …) of the picture.
func TestOverlayLines(t *testing.T) {
	a := apTube()
	img, err := Overlay(a.picture(), []measure.Femur{a.femur()})
	if err != nil {
		t.Fatal(err)
	}
	for y := 250; y < 1150; y += 50 {
		m := a.mid(float64(y))
		for _, test := range []struct {
			name string
			want float64
			col  color.RGBA
		}{
			{"outer lateral", m + a.outer, skyBlue}, {"outer medial", m - a.outer, skyBlue},
			{"inner lateral", m + a.inner, orange}, {"inner medial", m - a.inner, orange},
		} {
			xs := find(img, y, int(test.want)-6, int(test.want)+7, test.col)
			if len(xs) == 0 || len(xs) > 3 {
				t.Errorf("row %d: %s drawn at %v, want near %.1f", y, test.name, xs, test.want)
				continue
			}
			mean := 0.0
			for _, x := range xs {
				mean += float64(x) / float64(len(xs))
			}
			if math.Abs(mean-test.want) > 1 {
				t.Errorf("row %d: %s drawn at %.1f, want %.1f", y, test.name, mean, test.want)
			}
		}
	}
}

// The bar is as long as it says: 50 mm over 0.139 mm a film pixel, times 0.46.
func TestOverlayScaleBar(t *testing.T) {
	a := apTube()
	f := a.femur()
	img, err := Overlay(a.picture(), []measure.Femur{f})
	if err != nil {
		t.Fatal(err)
	}
	xs := find(img, a.rows-20, 0, a.cols/2, ink)
	if want := 50 / 0.139 * 0.46; len(xs) == 0 || math.Abs(float64(len(xs))-want) > 4 {
		t.Errorf("bar of %d pixels, want %.0f", len(xs), want)
	}
	f.Record.PixelMM = 0
	img, err = Overlay(a.picture(), []measure.Femur{f})
	if err != nil {
		t.Fatal(err)
	}
	if xs := find(img, a.rows-20, 0, a.cols/2, ink); len(xs) != 0 {
		t.Error("a bar on a film without scale")
	}
}

// Nothing that tells who the patient is reaches the picture, the date and
// numbers of the study included.
func TestOverlayShowsNoIdentity(t *testing.T) {
	a := apTube()
	f, g := a.femur(), a.femur()
	g.Record.PatientKey, g.Record.StudyDate = "key", "20260114"
	g.Record.InstanceUID, g.Record.SeriesUID, g.Record.StudyUID = "2.25.1", "2.25.2", "2.25.3"
	one, err := Overlay(a.picture(), []measure.Femur{f})
	if err != nil {
		t.Fatal(err)
	}
	two, err := Overlay(a.picture(), []measure.Femur{g})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one.Pix, two.Pix) {
		t.Error("header fields change the picture")
	}
}

func TestOverlaySize(t *testing.T) {
	for _, test := range []struct{ rows, cols, wantRows, wantCols int }{
		{2800, 1400, 1400, 700}, {1400, 980, 1400, 980}, {300, 450, 600, 900}, {1, 5000, 1, 1400},
	} {
		p := Picture{Rows: test.rows, Cols: test.cols, Scale: 1, Grey: bytes.Repeat([]byte{77}, test.rows*test.cols)}
		img, err := Overlay(p, []measure.Femur{{Record: measure.Record{Source: "x", Frame: 1}}})
		if err != nil {
			t.Fatal(err)
		}
		grey := color.RGBA{77, 77, 77, 255}
		if got := img.RGBAAt(test.wantCols-1, test.wantRows-1); got != grey {
			t.Errorf("%d × %d: last pixel of the film is %v", test.cols, test.rows, got)
		}
		if got := img.RGBAAt(test.wantCols, 0); got == grey {
			t.Errorf("%d × %d: film reaches beyond column %d", test.cols, test.rows, test.wantCols)
		}
		if film := FilmOf(img.Rect); film.Dx() != test.wantCols || film.Dy() < test.wantRows {
			t.Errorf("%d × %d: the film is said to be %v", test.cols, test.rows, film)
		}
	}
}

// Geometry of any kind, also outside the film and not finite, draws something
// and never panics.
func TestOverlayOddGeometry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.OneOf(rapid.Float64Range(-50, 150), rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), 0}))
		point := rapid.Custom(func(t *rapid.T) geom.PointPx {
			return geom.PointPx{X: number.Draw(t, "x"), Y: number.Draw(t, "y")}
		})
		line := rapid.SliceOfN(point, 0, 4)
		g := &measure.Geometry{Midline: line.Draw(t, "mid"),
			Contours:  map[string][]geom.PointPx{"outer_lateral": line.Draw(t, "outer"), "inner_lateral": line.Draw(t, "inner")},
			Landmarks: map[string]geom.PointPx{"lesser_trochanter": point.Draw(t, "tip")},
			Circles:   map[string]measure.CirclePx{"bow": {C: point.Draw(t, "centre"), R: number.Draw(t, "r")}, "head": {C: point.Draw(t, "head"), R: number.Draw(t, "headR")}},
			Levels:    map[string][2]geom.PointPx{"50": {point.Draw(t, "a"), point.Draw(t, "b")}}}
		r := measure.Record{Source: rapid.String().Draw(t, "source"), Frame: 1, PixelMM: number.Draw(t, "pixel"), Reasons: []measure.Reason{"no_such_reason"}}
		r.Set("bow_radius_mm", number.Draw(t, "v"), number.Draw(t, "u"))
		p := Picture{Rows: 90, Cols: 90, Scale: 1, Grey: make([]byte, 90*90)}
		if _, err := Overlay(p, []measure.Femur{{Record: r, Geometry: g}}); err != nil {
			t.Fatal(err)
		}
	})
}

func TestOverlayRefuses(t *testing.T) {
	ok := Picture{Rows: 2, Cols: 2, Scale: 1, Grey: make([]byte, 4)}
	row := []measure.Femur{{Record: measure.Record{Source: "x", Frame: 1}}}
	for name, test := range map[string]struct {
		p Picture
		f []measure.Femur
	}{
		"no row":       {ok, nil},
		"no pixels":    {Picture{}, row},
		"short pixels": {Picture{Rows: 2, Cols: 2, Scale: 1, Grey: make([]byte, 3)}, row},
		"no scale":     {Picture{Rows: 2, Cols: 2, Grey: make([]byte, 4)}, row},
	} {
		if err := WriteOverlay(io.Discard, test.p, test.f); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestDashes(t *testing.T) {
	got := dashes([]pt{{0, 0}, {10, 0}}, 3, 2)
	want := [][]pt{{{0, 0}, {3, 0}}, {{5, 0}, {8, 0}}}
	if len(got) != 2 || !slices.Equal(got[0], want[0]) || !slices.Equal(got[1], want[1]) {
		t.Errorf("dashes %v, want %v", got, want)
	}
}

func BenchmarkOverlay(b *testing.B) {
	a := apTube()
	p, f := a.picture(), []measure.Femur{a.femur()}
	b.ReportAllocs()
	for b.Loop() {
		if err := WriteOverlay(io.Discard, p, f); err != nil {
			b.Fatal(err)
		}
	}
}
