package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// canal is a shaft whose canal is even, half mm to each side of an arc, and
// ends at level end.
func canal(curvature, half, end geom.MM) phantom {
	f := tube(curvature, 290, 0.4)
	f.s1 = end
	f.distance[2] = func(geom.MM) geom.MM { return half }
	f.distance[3] = f.distance[2]
	return f
}

var nailed = ShaftOptions{View: Lateral, HasOrigin: true, HasScale: true}

// All by plane trigonometry: an arc of radius Rn that leaves an arc of radius R
// along their common tangent ends at (Rn·sin(L/Rn), Rn·(1 − cos(L/Rn))), and
// the distance from there to the canal's front, a circle of radius R + half
// about the same centre, square to the nail, is that of a ray and a circle.
func TestNailInArc(t *testing.T) {
	const half, diameter = 7.0, 10.0
	for _, c := range []struct {
		name            string
		curvature, nail float64 // 1/mm, mm
		length          float64
		sense           float64
	}{
		{"same radius", 1.0 / 1000, 1000, 240, 1},
		{"straight in an arc", 1.0 / 900, mostNailRadius, 220, 1},
		{"straighter by half", 1.0 / 943, 1900, 240, -1},
		{"rounder than the canal", 1.0 / 2000, 1000, 200, 1},
		{"straight in straight", 0, mostNailRadius, 200, 1},
	} {
		f := canal(c.curvature, half, 330)
		f.sense = c.sense
		s := shaftOf(t, f)
		got, why := s.FitNail(Nail{c.name, c.nail, c.length, diameter}, nailed)
		if why != "" {
			t.Errorf("%s: %s", c.name, why)
			continue
		}
		// The frame at the entry: x along, y to the front.
		sin, cos := math.Sincos(c.length / c.nail)
		x, y := c.nail*sin, -c.nail*(1-cos)
		nx, ny := sin, cos // to the nail's front
		want := half - y   // a straight canal's front
		if c.curvature > 0 {
			r := 1 / c.curvature
			// |(x, y + r) + d·n| = r + half
			b := x*nx + (y+r)*ny
			want = -b + math.Sqrt(b*b-(x*x+(y+r)*(y+r))+(r+half)*(r+half))
		}
		near(t, c.name, got.TipGap.X, want-diameter/2, 0.02)
		if got.Name != c.name || got.TipGap.U95 > 1e-6 {
			t.Errorf("%+v", got)
		}
	}
}

// Of an equal radius the gap is half the canal less half the nail; of a
// straight one it is less by the sagitta of the arc over twice its length.
func TestNailRulesOfThumb(t *testing.T) {
	s := shaftOf(t, canal(1.0/1200, 6, 330))
	equal, _ := s.FitNail(Nail{"equal", 1200, 200, 9}, nailed)
	near(t, "equal", equal.TipGap.X, 6-4.5, 0.02)
	straight, _ := s.FitNail(Nail{"straight", mostNailRadius, 200, 9}, nailed)
	near(t, "straight", straight.TipGap.X, 6-4.5-(1206-math.Sqrt(1206*1206-200*200)), 0.1)
	if straight.TipGap.X > 0 {
		t.Error("a straight nail of 200 mm passes through the front of this canal")
	}
}

func TestNailRefusals(t *testing.T) {
	n := Nail{"n", 1500, 200, 10}
	whole := shaftOf(t, canal(1.0/1000, 7, 330))
	for name, c := range map[string]struct {
		s   *Shaft
		n   Nail
		opt ShaftOptions
		why Reason
	}{
		"canal ends before the tip": {shaftOf(t, canal(1.0/1000, 7, 215)), n, nailed, NailTipNotVisible},
		"nail longer than the bone": {whole, Nail{"n", 1500, 400, 10}, nailed, NailTipNotVisible},
		"AP":                        {whole, n, ShaftOptions{View: AP, HasOrigin: true, HasScale: true}, ""},
		"no scale":                  {whole, n, ShaftOptions{View: Lateral, HasOrigin: true}, ""},
		"no origin":                 {whole, n, ShaftOptions{View: Lateral, HasScale: true}, ""},
		"sides unknown":             {whole, n, ShaftOptions{View: Lateral, HasOrigin: true, HasScale: true, UnknownSides: true}, ""},
		"no nail":                   {whole, Nail{"n", 0, 200, 10}, nailed, ""},
	} {
		if fit, why := c.s.FitNail(c.n, c.opt); why != c.why || fit != (NailFit{}) {
			t.Errorf("%s: %+v, %q", name, fit, why)
		}
	}
	// A canal that is first seen far below the entry is not entered there.
	low := canal(1.0/1000, 7, 330)
	low.distance[3] = func(s geom.MM) geom.MM {
		if s < 50 {
			return math.NaN()
		}
		return 7
	}
	if fit, why := shaftOf(t, low).FitNail(n, nailed); why != NailTipNotVisible {
		t.Errorf("canal from 50 mm: %+v, %q", fit, why)
	}
}

// Of many disturbed canals, the expanded uncertainty of the gap covers the
// undisturbed one. Source: JCGM 100:2008, 6.2.
func TestNailCoverage(t *testing.T) {
	const runs = 200
	noise := rand.New(rand.NewPCG(2026, 13))
	f := canal(1.0/1000, 7, 330)
	n := Nail{"n", 1500, 220, 10}
	truth, _ := shaftOf(t, f).FitNail(n, nailed)
	opt := nailed
	opt.Errors = noisy
	covered, width, miss := 0, 0.0, 0.0
	for range runs {
		s, err := NewShaft(disturb(f, noisy, 0.15, noise), 1)
		if err != nil {
			t.Fatal(err)
		}
		p, tangent, normal := f.at(0)
		if !s.SetOrigin(p.Sub(normal.Mul(22)).Add(tangent.Mul(noise.NormFloat64()))) {
			t.Fatal("no origin")
		}
		got, why := s.FitNail(n, opt)
		if why != "" {
			t.Fatal(why)
		}
		off := got.TipGap.X - truth.TipGap.X
		if math.Abs(off) <= got.TipGap.U95 {
			covered++
		}
		width += got.TipGap.U95 / runs
		miss += off * off / runs
	}
	t.Logf("covered %.3f, mean u95 %.2f mm, twice rms %.2f mm", float64(covered)/runs, width, 2*math.Sqrt(miss))
	near(t, "coverage", float64(covered)/runs, 0.95, 0.04)
}

func TestNailValidate(t *testing.T) {
	if err := (Nail{"ok", 1500, 240, 10}).Validate(); err != nil {
		t.Error(err)
	}
	for _, n := range []Nail{{"", 0, 240, 10}, {"", -1500, 240, 10}, {"", 1500, 2400, 10}, {"", 1500, 240, 0},
		{"", math.NaN(), 240, 10}, {"", 1500, math.Inf(1), 10}} {
		if n.Validate() == nil {
			t.Errorf("%+v is no nail", n)
		}
	}
}
