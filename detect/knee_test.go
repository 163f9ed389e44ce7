package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// A parabola is found exactly, whatever a point without weight says.
func TestParabola(t *testing.T) {
	want := [3]float64{3, -0.4, -0.05}
	var x, y, w []float64
	for i := range 11 {
		u := 20 + float64(i)
		x, y, w = append(x, u), append(y, want[0]+want[1]*u+want[2]*u*u), append(w, 1)
	}
	y[4], w[4] = 99, 0
	got, ok := parabola(x, y, w)
	for k := range want {
		if !ok || math.Abs(got[k]-want[k]) > 1e-6 {
			t.Fatalf("parabola %v, want %v", got, want)
		}
	}
}

// Two parabolas of one curvature are each other's translate: the line that
// touches both is parallel to the line of their tops (geometry).
func TestCommonTangentOfTranslates(t *testing.T) {
	const curve = -1.0 / 40
	at := func(x, y float64) condyleOutline {
		return condyleOutline{c: [3]float64{y + curve*x*x, -2 * curve * x, curve}, from: x - 12, to: x + 12}
	}
	xa, ya, xb, yb := commonTangent(at(23, 1), at(-22, 5))
	slope := (1.0 - 5) / 45
	if got := (ya - yb) / (xa - xb); math.Abs(got-slope) > 1e-9 {
		t.Errorf("slope %.6f, want %.6f", got, slope)
	}
	if want := 23 + slope/(2*curve); math.Abs(xa-want) > 1e-6 {
		t.Errorf("touches at %.4f, want %.4f", xa, want)
	}
}

// discs is a picture of two equal balls side by side over a flat plateau, 0.2 mm
// a pixel, with the marks of a network that is a millimetre off.
func discs(tilt float64, second bool) (*shaftTrace, *plane, geom.Spacing, distalEnd) {
	const n, radius, apart = 600, 20.0, 46.0
	sp := geom.Spacing{Y: 0.2, X: 0.2}
	s, c := math.Sincos(tilt)
	mid := geom.PointMM{X: 60, Y: 60}
	across := geom.PointMM{X: c, Y: s}
	p := &plane{rows: n, cols: n, k: 1, pix: make([]uint16, n*n)}
	chord := func(q, centre geom.PointMM) float64 {
		d := q.Sub(centre)
		return 2 * math.Sqrt(math.Max(0, radius*radius-d.Dot(d)))
	}
	for y := range n {
		for x := range n {
			q := sp.MM(geom.PointPx{X: float64(x), Y: float64(y)})
			v := 8000 + 300*chord(q, mid.Add(across.Mul(apart/2)))
			if second {
				v += 300 * chord(q, mid.Sub(across.Mul(apart/2)))
			}
			if q.Sub(mid).Dot(geom.PointMM{X: -s, Y: c}) > radius+3 {
				v += 7000
			}
			p.pix[y*n+x] = uint16(v)
		}
	}
	distal := geom.PointMM{X: -s, Y: c}
	mark := func(side float64) *patchMark {
		return &patchMark{at: mid.Add(across.Mul(side*apart/2 + 1)).Add(distal.Mul(radius + 1)), there: 1}
	}
	m := newMidline([]geom.PointMM{{X: 60, Y: 2}, {X: 60, Y: 40}}, levelStep)
	return &shaftTrace{m: m, side: [2][]level{make([]level, len(m.p)), make([]level, len(m.p))}}, p, sp, distalEnd{at: mid.Add(distal.Mul(radius)), seen: true, lateral: mark(1), medial: mark(-1)}
}

// The tangent of two equal circles is parallel to the line of their centres.
func TestCondylesOnDiscs(t *testing.T) {
	for _, deg := range []float64{-9, 0, 6} {
		tr, p, sp, knee := discs(deg*math.Pi/180, true)
		var f Femur
		tr.condyles(&f, p, sp, knee)
		if f.CondyleLateral == nil {
			t.Errorf("%g°: none found", deg)
			continue
		}
		d := sp.MM(f.CondyleLateral.P).Sub(sp.MM(f.CondyleMedial.P))
		if got := math.Atan2(d.Y, d.X) * 180 / math.Pi; math.Abs(got-deg) > 0.1 {
			t.Errorf("tangent at %.2f°, want %g°", got, deg)
		}
		if math.Abs(d.Norm()-46) > 0.5 {
			t.Errorf("touches %.2f mm apart, want 46", d.Norm())
		}
	}
	tr, p, sp, knee := discs(0, true)
	for k := range tr.m.p {
		tr.side[0][k], tr.side[1][k] = level{outer: 25, ok: true}, level{outer: 25, ok: true}
	}
	var wide Femur
	if tr.condyles(&wide, p, sp, knee); wide.CondyleLateral != nil {
		t.Error("condyles nearer to each other than the shaft is wide")
	}
	tr, p, sp, knee = discs(0, false)
	var f Femur
	if tr.condyles(&f, p, sp, knee); f.CondyleLateral != nil || f.CondyleMedial != nil {
		t.Error("a tangent without a second condyle")
	}
}

// Films of known truth: the tangent within the 0.7° that is wanted as a median,
// the edges as far down as 60 mm above the lateral condyle, and no condyles
// where the knee is not on the film.
func TestKneeOnFilms(t *testing.T) {
	if testing.Short() {
		t.Skip("renders films")
	}
	checked := 0
	for seed := range uint64(3) {
		film := simulate.Draw(rand.New(rand.NewPCG(60+seed, 1)), "ap_distal").Render()
		img, truth := asShown(film), film.Truth.Femurs[0]
		l, seen := truth.Landmarks["condyle_lateral"]
		m, both := truth.Landmarks["condyle_medial"]
		if !seen || !both || !img.HasScale {
			continue
		}
		checked++
		f := one(t, img)
		if f.CondyleLateral == nil {
			t.Errorf("seed %d: no condyles", seed)
			continue
		}
		sp := f.WorkingSpacing
		want, got := sp.MM(l).Sub(sp.MM(m)), sp.MM(f.CondyleLateral.P).Sub(sp.MM(f.CondyleMedial.P))
		if off := math.Asin(want.Unit().Cross(got.Unit())) * 180 / math.Pi; math.Abs(off) > 0.7 {
			t.Errorf("seed %d: tangent off by %.2f°", seed, off)
		}
		mid := truth.Midline
		along := sp.MM(mid[len(mid)-1]).Sub(sp.MM(mid[len(mid)-80])).Unit()
		for _, e := range []Edge{f.OuterClockwise, f.OuterCounter} {
			if above := sp.MM(l).Sub(sp.MM(e.P[len(e.P)-1])).Dot(along); above > 60 {
				t.Errorf("seed %d: an edge ends %.0f mm above the condyle", seed, above)
			}
		}
	}
	if checked == 0 {
		t.Error("no film with a knee and a scale")
	}
	if f := one(t, asShown(simulate.Draw(rand.New(rand.NewPCG(5, 1)), "ap_full").Render())); f.CondyleLateral != nil {
		t.Error("condyles on a film that ends above the knee")
	}
}

// Distal of a condyle the film shows a joint: where it is of one grey, or ends, there is
// none. Source: the picture drawn.
func TestKneeBordered(t *testing.T) {
	const rows, cols = 120, 120
	sp := geom.Spacing{X: 0.5, Y: 0.5}
	f := newKneeFrame(geom.PointMM{X: 40, Y: 30}, geom.PointMM{X: 20, Y: 30}, geom.PointMM{Y: 1})
	for _, c := range []struct {
		name  string
		grain int // grey levels that the picture varies by below row 60
		at    geom.PointMM
		want  bool
	}{
		{"a joint", 600, geom.PointMM{X: 40, Y: 30}, false},
		{"a frame", 0, geom.PointMM{X: 40, Y: 30}, true},
		{"a frame in a compressed picture", 20, geom.PointMM{X: 40, Y: 30}, true},
		{"the film's end", 600, geom.PointMM{X: 40, Y: 57}, true},
	} {
		g := &plane{pix: make([]uint16, rows*cols), rows: rows, cols: cols, k: 1}
		for i := range g.pix {
			g.pix[i] = 9000
			if i/cols > 60 {
				g.pix[i] = uint16(2000 + c.grain*(i%7)/6)
			}
		}
		if got := f.bordered(g, sp, c.at); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
