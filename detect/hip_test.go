package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// The landmarks of a hip lie where the projected surfaces of the simulated bone
// have them, within what the uncertainty says and within what the angles of the
// hip need: 0.7 mm at the neck are 1.6° of a neck 25 mm long. A film may hide one
// of them, not more.
func TestHip(t *testing.T) {
	found := map[string]int{}
	for seed := range uint64(3) {
		film := simulate.Draw(rand.New(rand.NewPCG(seed, 0x417)), "ap_hip").Render()
		truth := film.Truth.Femurs[0]
		f := one(t, asShown(film))
		sp := f.WorkingSpacing
		off := func(name string, p geom.PointPx) geom.PointMM {
			want, ok := truth.Landmarks[name]
			if !ok {
				t.Fatalf("seed %d: no %s on the film", seed, name)
			}
			return sp.MM(p).Sub(sp.MM(want))
		}
		check := func(what string, d, most, sigma float64) {
			found[what]++
			if d > most || d > 4*sigma {
				t.Errorf("seed %d: %s %.2f mm off, sigma %.2f", seed, what, d, sigma)
			}
		}
		if c := f.HeadCircle; c != nil {
			check("head's centre", off("head_centre", c.C).Norm(), 0.5, c.SigmaC)
			check("head's radius", math.Abs(c.R-truth.HeadCircle.R*sp.X), 0.3, c.SigmaR)
		}
		if n := f.Neck; n != nil {
			// Along its axis the narrowest place is ill defined, and no matter.
			axis := sp.MM(truth.Landmarks["head_centre"]).Sub(sp.MM(truth.Landmarks["neck_centre"])).Unit()
			check("neck", math.Abs(axis.Cross(off("neck_centre", n.P))), 0.7, n.Sigma)
		}
		if g := f.GreaterTrochanter; g != nil {
			check("greater trochanter", off("greater_trochanter", g.P).Norm(), 3, g.Sigma)
		}
	}
	for _, what := range []string{"head's centre", "head's radius", "neck", "greater trochanter"} {
		if found[what] < 2 {
			t.Errorf("%s on %d of 3 films", what, found[what])
		}
	}
}

// A disc brighter than what surrounds it has the centre and the radius that it
// was drawn with, beside a socket over its upper third; with no rim in sight
// there is no circle. Source: the circle drawn.
func TestFitHead(t *testing.T) {
	const rows, cols, pitch = 600, 600, 0.2
	sp := geom.Spacing{Y: pitch, X: pitch}
	centre, radius := geom.PointMM{X: 60.3, Y: 58.9}, 23.4
	draw := func(contrast float64) *plane {
		g := &plane{pix: make([]uint16, rows*cols), rows: rows, cols: cols, k: 1}
		rng := rand.New(rand.NewPCG(1, 2))
		for y := range rows {
			for x := range cols {
				d := geom.PointMM{X: float64(x) * pitch, Y: float64(y) * pitch}.Sub(centre)
				v := 20000 + 300*rng.NormFloat64()
				for _, ball := range [2]struct{ r, share float64 }{{radius, 1}, {radius - 1.2, -0.5}} {
					if n := d.Norm(); n < ball.r { // the chord through a ball, and through the hollow of its shell
						v += contrast * ball.share * math.Sqrt(ball.r*ball.r-n*n) / ball.r
					}
				}
				if n := d.Norm(); d.Y < -8 && n > radius+3 && n < radius+9 {
					v += 0.5 * contrast
				}
				g.pix[y*cols+x] = uint16(v)
			}
		}
		return g
	}
	guess := headGuess{c: centre.Add(geom.PointMM{X: 0.7, Y: -0.6}), r: radius - 0.8, sigmaC: 0.8, sigmaR: 0.7, neck: geom.PointMM{X: math.Sqrt2 / 2, Y: math.Sqrt2 / 2}}
	c := fitHead(sheet{film: draw(20000), sp: sp}, Blur{SigmaMM: 0.12}, guess)
	if c == nil {
		t.Fatal("no circle")
	}
	if d := sp.MM(c.C).Sub(centre).Norm(); d > 0.15 || math.Abs(c.R-radius) > 0.15 {
		t.Errorf("centre %.2f mm off, radius %.2f, want %.2f", d, c.R, radius)
	}
	if c := fitHead(sheet{film: draw(0), sp: sp}, Blur{SigmaMM: 0.12}, guess); c != nil && c.R != 0 {
		t.Errorf("a radius of nothing: %+v", c)
	}

	// A lead bar across the rim, known to be metal, does no harm.
	barred := sheet{film: draw(20000), sp: sp}
	for y := 240; y < 340; y++ {
		for x := 395; x < 425; x++ {
			barred.film.pix[y*cols+x] = 64000
			if x%9 == 0 && y%9 == 0 { // as metal's places lie
				barred.hidden = append(barred.hidden, geom.PointMM{X: float64(x) * pitch, Y: float64(y) * pitch})
			}
		}
	}
	whole := *c
	if c = fitHead(barred, Blur{SigmaMM: 0.12}, guess); c == nil {
		t.Fatal("no circle beside a bar")
	}
	if d := sp.MM(c.C).Sub(centre).Norm(); d > 0.2 || math.Abs(c.R-radius) > 0.2 {
		t.Errorf("beside a bar: centre %.2f mm off, radius %.2f, want %.2f", d, c.R, radius)
	}
	if c.SigmaR <= whole.SigmaR {
		t.Errorf("less of the rim makes the radius no less certain: %.3f, whole %.3f", c.SigmaR, whole.SigmaR)
	}
}

// The tip of a trochanter drawn as a bump on a straight outline is moved onto its
// summit, and stays where there is no bump. Source: the outline drawn.
func TestLesserOnOutline(t *testing.T) {
	const rows, cols, pitch, edge = 500, 500, 0.2, 50.0
	sp := geom.Spacing{Y: pitch, X: pitch}
	for _, high := range []float64{0, 6} {
		g := &plane{pix: make([]uint16, rows*cols), rows: rows, cols: cols, k: 1}
		rng := rand.New(rand.NewPCG(3, 4))
		for y := range rows {
			u := (float64(y)*pitch - 50) / 9
			for x := range cols {
				v := 12000 + 300*rng.NormFloat64()
				if in := edge + high*math.Exp(-u*u/2) - float64(x)*pitch; in > 0 {
					v += 20000 * (1 - math.Exp(-in/2))
				}
				g.pix[y*cols+x] = uint16(v)
			}
		}
		tip := geom.PointMM{X: edge + 3, Y: 50.5}
		h := hip{sheet: sheet{film: g, sp: sp}, marks: make([]patchMark, hipMarks), blur: Blur{SigmaMM: 0.12}}
		h.marks[hipLesser] = patchMark{at: geom.PointMM{X: edge + 0.8*high, Y: 51}, there: 1, certain: 0.6}
		want := edge + high
		if high == 0 {
			want = tip.X
		}
		if got := h.lesser(tip, geom.PointMM{Y: 1}, geom.PointMM{X: 1}); math.Abs(got.X-want) > 0.35 || math.Abs(got.Y-tip.Y) > 1e-9 {
			t.Errorf("bump of %g mm: tip at %.2f, %.2f, want %.2f, %.2f", high, got.X, got.Y, want, tip.Y)
		}
	}
}

// Two words on the level of the lesser trochanter that are equally sure meet in the
// middle, and half of what they differ by is in doubt; a far surer one has its way
// (weights by inverse variance, and the variance of a mixture).
func TestLevelOfTwo(t *testing.T) {
	tip, down := geom.PointMM{X: 10, Y: 50}, geom.PointMM{Y: 1}
	h := &hip{marks: make([]patchMark, hipMarks)}
	h.marks[hipLesser] = patchMark{at: geom.PointMM{X: 12, Y: 54}, there: 1, certain: hipNet.certain}
	got, sigma := h.level(tip, down, tipSigma)
	if math.Abs(got.Y-52) > 1e-9 || got.X != 10 || math.Abs(sigma-math.Hypot(tipTwice, math.Hypot(2, hipNet.certain/math.Sqrt2))) > 1e-9 {
		t.Errorf("equally sure: level %.2f, want 52, sigma %.2f", got.Y, sigma)
	}
	if got, sigma = h.level(tip, down, 6); math.Abs(got.Y-54) > 0.2 || sigma > 1.5 {
		t.Errorf("the second far surer: level %.2f, want 54, sigma %.2f", got.Y, sigma)
	}
	h.marks[hipLesser].there = 0
	if got, sigma = h.level(tip, down, 2); got != tip || sigma != 2 {
		t.Errorf("one word alone: %v, sigma %.2f", got, sigma)
	}
}
