package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure/geom"
)

var scaled = ShaftOptions{View: AP, HasOrigin: true, HasScale: true}

// shaftOf returns the phantom's shaft with its origin at the phantom's level 0.
func shaftOf(t testing.TB, f phantom) *Shaft {
	t.Helper()
	s, err := NewShaft(f.contours(1), 1)
	if err != nil {
		t.Fatal(err)
	}
	p, _, n := f.at(0)
	if !s.SetOrigin(p.Sub(n.Mul(22))) {
		t.Fatal("origin not on the mid-line")
	}
	return s
}

func waistedRecord(t testing.TB, view View) Record {
	r := Record{View: view}
	opt := scaled
	opt.View = view
	shaftOf(t, waisted(1.0/900)).Measure(&r, opt)
	return r
}

// All truths follow from the phantom's definition.
func TestShaftOfKnownGeometry(t *testing.T) {
	for _, c := range []struct {
		name            string
		curvature, tilt float64
		sense           float64
	}{
		{"straight", 0, 0, 1},
		{"bowed to the positive side", 1.0 / 943, 0, 1},
		{"bowed to the negative side", -1.0 / 722, 0.2, 1},
		{"positive side to the right", 1.0 / 943, -0.4, -1},
		{"on its side", 1.0 / 1200, 1.4, 1},
		{"upside down", 1.0 / 1200, 3.0, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := tube(c.curvature, 280, 0.4)
			grow := func(s geom.MM) geom.MM { return 14.5 + max(0, s-280)*0.2 }
			f.distance[0], f.distance[1] = grow, grow
			f.tilt, f.sense = c.tilt, c.sense
			r := Record{View: AP}
			shaftOf(t, f).Measure(&r, scaled)

			flare := 280 + 0.15*29/0.4 // where 29 + 0.4·(s − 280) = 1.15·29
			span := flare - 20
			want := map[Quantity]float64{
				VisibleFrom: 20, VisibleTo: flare, BowSpan: span,
				BowCurvature: 1000 * c.curvature,
				BowAngle:     geom.Angle(0.75 * span * c.curvature).Degrees(), // (1 − f)·L/R
				BowSagitta:   0,
			}
			if r0 := math.Abs(c.curvature); r0 > 0 {
				want[BowRadius] = 1 / r0
				want[BowSagitta] = (1 - math.Cos(span*r0/2)) / r0
				want[BowApex] = (20 + flare) / 2
			}
			for _, level := range Levels {
				want[CortexAt(AP, true, level)] = 6.5 // 14.5 − 8
				want[CortexAt(AP, false, level)] = 8  // 14.5 − 6.5
				want[OuterWidthAt(level)] = 29
				want[CanalWidthAt(level)] = 14.5
				want[CorticalIndexAt(level)] = 0.5
			}
			// The axis of an arc is its chord, parallel to the tangent at its
			// middle; the arc turns away from the positive side.
			mid := c.tilt - c.sense*c.curvature*(20+flare)/2
			want[ShaftAxis] = math.Remainder(mid, math.Pi) * 180 / math.Pi
			tol := map[Quantity]float64{BowRadius: 0.2, BowApex: 0.1, BowCurvature: 2e-4, ShaftAxis: 0.05, BowAngle: 2e-3, BowSagitta: 2e-3,
				VisibleTo: 0.02, BowSpan: 0.02}
			for q, x := range want {
				got, ok := r.Values[q]
				if !ok {
					if q == BowRadius && c.curvature == 0 {
						continue
					}
					t.Errorf("%s absent; reasons %v", q, r.Reasons)
					continue
				}
				near(t, string(q), got.X, x, max(tol[q], 1e-3))
				if got.U95 > 1e-6 {
					t.Errorf("%s: exact edges, u95 %g", q, got.U95)
				}
			}
			if r.LevelOrigin != "lesser_trochanter" || r.BowPlane != "coronal" {
				t.Errorf("origin %q, plane %q", r.LevelOrigin, r.BowPlane)
			}
			if DetermineStatus(&r) != StatusPartial { // this canal has no narrowest place
				t.Errorf("status %s", DetermineStatus(&r))
			}
		})
	}
}

// Callus on both sides widens the shaft as the flare does, but the shaft is narrow
// again below it: it does not end the diaphysis.
func TestDiaphysisPastCallus(t *testing.T) {
	f := tube(0, 280, 0.4)
	grow := func(s geom.MM) geom.MM {
		return 14.5 + max(0, s-280)*0.2 + 4*math.Exp(-(s-180)*(s-180)/(2*9*9))
	}
	f.distance[0], f.distance[1] = grow, grow
	from, to, _, cut := shaftOf(t, f).Diaphysis(true)
	near(t, "from", from, 20, 1e-9)
	near(t, "to", to, 280+0.15*29/0.4, 0.02)
	if cut {
		t.Error("the flare was not seen")
	}
}

// A canal that opens like a parabola has its isthmus at the vertex; smoothing
// widens it by half its second derivative times the kernel's variance,
// (35/243)·h² for tricube weights.
func TestIsthmus(t *testing.T) {
	r := waistedRecord(t, AP)
	widened := 0.5 * 6e-4 * 35 / 243 * canalHalfWidth * canalHalfWidth
	near(t, "level", r.Values[IsthmusLevel].X, 140, 0.05)
	near(t, "canal", r.Values[IsthmusCanalWidth].X, 12+widened, 2e-3)
	outer := 2 * (14.5 + 2.5e-5*100)
	near(t, "outer", r.Values[IsthmusOuterWidth].X, outer, 2e-3)
	near(t, "index", r.Values[IsthmusCorticalIndex].X, 1-12/outer, 1e-3)
	if got := DetermineStatus(&r); got != StatusMeasured {
		t.Errorf("status %s, reasons %v", got, r.Reasons)
	}
}

// A canal of two narrow places d apart, the second h wider, both opening by a·x²:
// where drift leaves the difference of two widths open by u, the isthmus may lie up to
// √((u−h)/a) beyond the second. The drifts of two sides at places so far apart differ
// with the variance 4·τ²·(1 − exp(−d/ℓ)), by the covariance that uncertainty.go cites;
// smoothing takes little off it.
func TestIsthmusOpen(t *testing.T) {
	const d, h, a, tau, length = 80, 0.1, 3e-4, 0.08, 60
	half := func(s geom.MM) geom.MM { return 6 + min(a*square(s-100), h+a*square(s-100-d))/2 }
	f := waisted(0)
	f.distance[2], f.distance[3] = half, half
	drift := EdgeError{Drift: tau, Length: length}
	var r Record
	shaftOf(t, f).Measure(&r, ShaftOptions{View: AP, HasOrigin: true, HasScale: true, Errors: ErrorModel{Inner: drift}})
	u := Coverage * 2 * tau * math.Sqrt(1-math.Exp(-d/float64(length)))
	near(t, "level", r.Values[IsthmusLevel].X, 100, 0.5)
	near(t, "its uncertainty", r.Values[IsthmusLevel].U95, d+math.Sqrt((u-h)/a), 2)
	r.DropOpenIsthmus() // more than a quarter of some 280 mm
	if _, ok := r.Values[IsthmusLevel]; ok || !hasReason(r, IsthmusNotResolved) {
		t.Errorf("level %v, reasons %v", r.Values[IsthmusLevel], r.Reasons)
	}
	present(t, r, IsthmusCanalWidth, IsthmusOuterWidth, IsthmusCorticalIndex)
}

// Cut above or below the isthmus, a film does not show it.
func TestIsthmusMustBeInside(t *testing.T) {
	for _, cut := range []struct{ from, to geom.MM }{{-20, 120}, {150, 250}} {
		f := waisted(0)
		f.s0, f.s1 = cut.from, cut.to
		s, err := NewShaft(f.contours(1), 1)
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		s.Measure(&r, ShaftOptions{View: AP, HasScale: true})
		if _, ok := r.Values[IsthmusLevel]; ok || !hasReason(r, IsthmusNotVisible) {
			t.Errorf("%v: isthmus %v, reasons %v", cut, r.Values[IsthmusLevel], r.Reasons)
		}
	}
}

func hasReason(r Record, code Reason) bool {
	for _, have := range r.Reasons {
		if have == code {
			return true
		}
	}
	return false
}

// What the film does not show stays empty, with its reason.
func TestAbsent(t *testing.T) {
	whole := waisted(1.0 / 900)
	t.Run("no origin", func(t *testing.T) {
		s, err := NewShaft(whole.contours(1), 1)
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		s.Measure(&r, ShaftOptions{View: AP, HasScale: true})
		absent(t, r, BowAngle, BowSagitta, BowApex, OuterWidthAt(50), CortexAt(AP, true, 50), CorticalIndexAt(100))
		present(t, r, ShaftAxis, BowCurvature, BowRadius, VisibleFrom, VisibleTo, IsthmusCanalWidth)
		if !hasReason(r, LevelOriginShaftTop) || r.LevelOrigin != "shaft_top" || r.Values[VisibleFrom].X != 20 {
			t.Errorf("reasons %v, origin %s, from %v", r.Reasons, r.LevelOrigin, r.Values[VisibleFrom])
		}
		if DetermineStatus(&r) != StatusPartial {
			t.Error("measured without its levels")
		}
	})
	t.Run("no scale", func(t *testing.T) {
		var r Record
		shaftOf(t, whole).Measure(&r, ShaftOptions{View: AP, HasOrigin: true})
		for q := range r.Values {
			if q != ShaftAxis && q != BowAngle && q != IsthmusCorticalIndex {
				t.Errorf("%s without a scale", q)
			}
		}
		present(t, r, ShaftAxis, BowAngle, IsthmusCorticalIndex)
		if !hasReason(r, ScaleNone) {
			t.Errorf("reasons %v", r.Reasons)
		}
	})
	t.Run("sides unknown", func(t *testing.T) {
		var r Record
		opt := scaled
		opt.UnknownSides = true
		shaftOf(t, whole).Measure(&r, opt)
		absent(t, r, BowCurvature, BowAngle, CortexAt(AP, true, 50), CortexAt(AP, false, 50))
		present(t, r, OuterWidthAt(50), CanalWidthAt(50), CorticalIndexAt(50), ShaftAxis)
	})
	t.Run("cut below", func(t *testing.T) {
		f := whole
		f.s1 = 120
		r := Record{View: AP}
		shaftOf(t, f).Measure(&r, scaled)
		absent(t, r, BowAngle, BowSagitta, OuterWidthAt(150), CortexAt(AP, true, 150))
		present(t, r, BowCurvature, OuterWidthAt(100), CortexAt(AP, true, 100))
		if !hasReason(r, DiaphysisCut) || !hasReason(r, LevelNotVisible) {
			t.Errorf("reasons %v", r.Reasons)
		}
		if got := DetermineStatus(&r); got != StatusMeasured {
			t.Errorf("all that the film shows is measured, status %s", got)
		}
	})
	t.Run("inner edge hidden", func(t *testing.T) {
		c := whole.contours(1)
		for i := range c.InnerPos.P { // levels 90 to 110
			if s := whole.s0 + float64(i); s >= 90 && s <= 110 {
				c.InnerPos.P[i].X = math.NaN()
			}
		}
		s, err := NewShaft(c, 1)
		if err != nil {
			t.Fatal(err)
		}
		p, _, _ := whole.at(0)
		s.SetOrigin(p)
		var r Record
		s.Measure(&r, scaled)
		absent(t, r, CortexAt(AP, true, 100), CanalWidthAt(100), CorticalIndexAt(100))
		present(t, r, CortexAt(AP, false, 100), OuterWidthAt(100), CortexAt(AP, true, 50), CanalWidthAt(150))
		if !hasReason(r, LevelNotVisible) || DetermineStatus(&r) != StatusPartial {
			t.Errorf("reasons %v", r.Reasons)
		}
	})
	t.Run("no inner edges", func(t *testing.T) {
		c := whole.contours(1)
		c.InnerPos, c.InnerNeg = Edge{}, Edge{}
		s, err := NewShaft(c, 1)
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		s.Measure(&r, ShaftOptions{View: Lateral, HasScale: true})
		present(t, r, BowCurvature, ShaftAxis)
		absent(t, r, IsthmusCanalWidth)
		for _, row := range s.Profile(scaled) {
			if !math.IsNaN(row.CanalWidthMM) || math.IsNaN(row.OuterWidthMM) {
				t.Fatalf("%+v", row)
			}
		}
	})
	t.Run("nothing", func(t *testing.T) {
		if got := DetermineStatus(&Record{}); got != StatusNotMeasured {
			t.Errorf("status %s", got)
		}
	})
}

func absent(t *testing.T, r Record, q ...Quantity) {
	t.Helper()
	for _, q := range q {
		if v, ok := r.Values[q]; ok {
			t.Errorf("%s: %v, want nothing", q, v)
		}
	}
}

func present(t *testing.T, r Record, q ...Quantity) {
	t.Helper()
	for _, q := range q {
		if _, ok := r.Values[q]; !ok {
			t.Errorf("%s absent", q)
		}
	}
}

func TestNewShaftRefuses(t *testing.T) {
	good := waisted(0).contours(1)
	short := waisted(0)
	short.s0, short.s1 = 0, 12
	shortContours := short.contours(1)
	noOuter := good
	noOuter.OuterNeg = Edge{}
	crossed := good
	crossed.OuterNeg = Edge{P: []geom.PointMM{{X: 0, Y: 0}, {X: 100, Y: 0}}}
	lengths := good
	lengths.InnerPos.Sigma = []float64{1}
	apart := good
	apart.OuterPos.P, apart.OuterNeg.P = good.OuterPos.P[:50], good.OuterNeg.P[200:]
	for _, c := range []struct {
		name string
		c    Contours
		step geom.MM
		want Reason
	}{
		{"short", shortContours, 1, ShaftTooShort},
		{"one outer edge", noOuter, 1, EdgesUnclear},
		{"edges across", crossed, 1, EdgesUnclear},
		{"edges apart", apart, 1, ShaftTooShort},
		{"sigmas missing", lengths, 1, Degenerate},
		{"no step", good, 0, Degenerate},
		{"nothing", Contours{}, 1, EdgesUnclear},
	} {
		_, err := NewShaft(c.c, c.step)
		var e *Error
		if !errors.As(err, &e) || e.Reason != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

func TestSetOrigin(t *testing.T) {
	f := waisted(0)
	f.s0 = 10
	s, err := NewShaft(f.contours(1), 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		level geom.MM
		ok    bool
	}{{-65, false}, {400, false}, {-25, true}} { // reach: 70 mm above the top level
		p, _, n := f.at(c.level)
		if got := s.SetOrigin(p.Sub(n.Mul(20))); got != c.ok {
			t.Errorf("level %g: %v", c.level, got)
		}
	}
	// Counted from −25, the phantom's first level 10 is 35.
	near(t, "first level", s.S[0], 35, 1e-9)
	if d, _, cut, _ := s.Diaphysis(true); !cut || d != s.S[0] {
		t.Errorf("diaphysis from %g, cut %v", d, cut)
	}
}

func TestProfile(t *testing.T) {
	f := waisted(1.0 / 900)
	s := shaftOf(t, f)
	opt := scaled
	opt.Errors.Outer = EdgeError{Drift: 0.1, Bias: 0.05}
	opt.Errors.Inner = EdgeError{Drift: 0.2}
	for _, row := range s.Profile(opt) {
		if row.LevelMM < -15 || row.LevelMM > 335 {
			continue
		}
		near(t, "positive cortex", row.PositiveCortexMM, f.distance[0](row.LevelMM)-f.distance[2](row.LevelMM), 2e-3)
		near(t, "outer width", row.OuterWidthMM, 2*f.distance[0](row.LevelMM), 4e-3)
		near(t, "cortex u95", row.PositiveCortexU95MM, 2*math.Sqrt(0.01+0.04+0.0025), 1e-9)
		near(t, "outer u95", row.OuterWidthU95MM, 2*math.Sqrt(2*0.01+0.01), 1e-9)
		near(t, "canal u95", row.CanalWidthU95MM, 2*math.Sqrt(2*0.04), 1e-9)
	}
}

// Above 20 mm below the origin there is no diaphysis, and nothing to measure.
func TestOnlyMetaphysis(t *testing.T) {
	f := waisted(0)
	f.s0, f.s1 = -30, 15
	r := Record{View: AP}
	shaftOf(t, f).Measure(&r, scaled)
	if len(r.Values) != 0 || !hasReason(r, ShaftTooShort) || DetermineStatus(&r) != StatusNotMeasured {
		t.Errorf("%v %v", r.Values, r.Reasons)
	}
}

// Whatever the edges, nothing panics, and what is written is a number.
func TestAnyEdges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		noise := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 7))
		rough := rapid.SampledFrom([]float64{0, 0.3, 3, 30}).Draw(t, "roughness")
		holes := rapid.SampledFrom([]float64{0, 0.02, 0.5, 0.9}).Draw(t, "holes")
		f := waisted(rapid.Float64Range(-1.0/150, 1.0/150).Draw(t, "curvature"))
		f.s0 = rapid.Float64Range(-60, 200).Draw(t, "from")
		f.s1 = f.s0 + rapid.Float64Range(5, 400).Draw(t, "length")
		c := f.contours(rapid.Float64Range(0.3, 12).Draw(t, "spacing"))
		for _, e := range []*Edge{&c.OuterPos, &c.OuterNeg, &c.InnerPos, &c.InnerNeg} {
			for i := range e.P {
				e.P[i].X += rough * noise.NormFloat64()
				e.P[i].Y += rough * noise.NormFloat64()
				if noise.Float64() < holes {
					e.P[i].X = math.NaN()
				}
				e.Sigma = append(e.Sigma, noise.ExpFloat64())
			}
		}
		s, err := NewShaft(c, rapid.Float64Range(0.2, 5).Draw(t, "step"))
		if err != nil {
			return
		}
		opt := ShaftOptions{View: Lateral, HasScale: true, Errors: noisy}
		opt.HasOrigin = rapid.Bool().Draw(t, "origin") && s.SetOrigin(geom.PointMM{X: 170, Y: 60})
		var r Record
		s.Measure(&r, opt)
		for q, v := range r.Values {
			if math.IsNaN(v.X+v.U95) || math.IsInf(v.X+v.U95, 0) || v.U95 < 0 {
				t.Fatalf("%s: %v", q, v)
			}
		}
		s.Profile(opt)
	})
}

func BenchmarkNewShaft(b *testing.B) {
	c := waisted(1.0 / 900).contours(0.5)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := NewShaft(c, 1); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMeasure(b *testing.B) {
	s := shaftOf(b, waisted(1.0/900))
	opt := scaled
	opt.Errors = noisy
	b.ReportAllocs()
	for b.Loop() {
		var r Record
		s.Measure(&r, opt)
	}
}
