package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure/geom"
)

func TestFitCirclePublished(t *testing.T) {
	// Source: W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558–578: six
	// points and their geometric fit, four printed decimals, quoted from
	// memory; residual norm 1.107971 recomputed outside the project.
	p := points(1, 7, 2, 6, 5, 8, 7, 7, 9, 5, 3, 7)
	c, a, err := FitCircle(p, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "x", c.C.X, 4.739782, 5e-7)
	near(t, "y", c.C.Y, 2.983533, 5e-7)
	near(t, "radius", c.R, 4.714226, 5e-7)
	near(t, "residual norm", a.RMS*math.Sqrt(6), 1.107971, 5e-7)
}

// Source: the same table, the algebraic fit of Kåsa on the same points has
// radius 4.1088. The geometric one must not be mistaken for it.
func TestFitCircleIsNotAlgebraic(t *testing.T) {
	c, _, err := FitCircle(points(1, 7, 2, 6, 5, 8, 7, 7, 9, 5, 3, 7), nil)
	if err != nil || math.Abs(c.R-4.108762) < 0.1 {
		t.Errorf("radius %g, %v", c.R, err)
	}
}

func TestFitCircleRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		p    []geom.PointMM
		want Reason
	}{
		{"two points", points(0, 0, 1, 1), TooFewPoints},
		{"one place", points(3, 4, 3, 4, 3, 4, 3, 4), Degenerate},
		{"line", points(0, 0, 1, 1, 2, 2, 3, 3), Degenerate},
		{"not a number", points(0, 0, math.NaN(), 1, 2, 2, 3, 3), Degenerate},
		{"infinite", points(0, 0, math.Inf(1), 1, 2, 2, 3, 3), Degenerate},
	} {
		_, _, err := FitCircle(c.p, nil)
		var e *Error
		if !errors.As(err, &e) || e.Reason != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

// Source: definition. An arc's end points, middle and angle are known.
func TestFitArcOnExactArcs(t *testing.T) {
	for _, k := range []float64{0, 1e-7, -1e-7, 1e-4, -1e-3, 0.05, -0.2} {
		f := tube(k, 1000, 0)
		var p []geom.PointMM
		for s := 0.0; s <= 25; s++ {
			q, _, _ := f.at(s)
			p = append(p, q)
		}
		a, err := FitArc(p, nil)
		if err != nil {
			t.Fatalf("curvature %g: %v", k, err)
		}
		// The phantom's apex lies on the positive, here clockwise, side; the centre on the other.
		near(t, "curvature", a.Curvature, -k, 1e-12+1e-9*math.Abs(k))
		near(t, "rms", a.RMS, 0, 1e-9)
		near(t, "angle", float64(a.Angle), math.Abs(k)*25, 1e-6)
	}
	// A full circle.
	var p []geom.PointMM
	for i := range 36 {
		sin, cos := math.Sincos(float64(i) / 18 * math.Pi)
		p = append(p, geom.PointMM{X: 7 + 23*cos, Y: -5 + 23*sin})
	}
	c, a, err := FitCircle(p, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "x", c.C.X, 7, 1e-9)
	near(t, "y", c.C.Y, -5, 1e-9)
	near(t, "r", c.R, 23, 1e-9)
	near(t, "angle", a.Angle.Degrees(), 350, 1e-6)
}

// Weights count like repeated points. Source: definition of a weighted sum.
func TestFitCircleWeights(t *testing.T) {
	p := points(1, 7, 2, 6, 5, 8, 7, 7, 9, 5, 3, 7)
	twice := append(points(5, 8, 9, 5, 9, 5), p...)
	a, _, errA := FitCircle(p, []float64{1, 1, 2, 1, 3, 1})
	b, _, errB := FitCircle(twice, nil)
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	near(t, "x", a.C.X, b.C.X, 1e-8)
	near(t, "y", a.C.Y, b.C.Y, 1e-8)
	near(t, "r", a.R, b.R, 1e-8)
}

// The fit follows the points when they are turned, moved, scaled and mirrored,
// and no nearby circle is better.
func TestFitArcFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(-0.01, 0.01).Draw(t, "curvature")
		noise := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		f := tube(k, 1000, 0)
		var p []geom.PointMM
		for s := 0.0; s <= 200; s += 4 {
			q, _, n := f.at(s)
			p = append(p, q.Add(n.Mul(0.3*noise.NormFloat64())))
		}
		a, err := FitArc(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		turn := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "turn")
		mirror := rapid.SampledFrom([]float64{1, -1}).Draw(t, "mirror")
		shift := geom.PointMM{X: rapid.Float64Range(-1e3, 1e3).Draw(t, "x"), Y: rapid.Float64Range(-1e3, 1e3).Draw(t, "y")}
		sin, cos := math.Sincos(turn)
		moved := make([]geom.PointMM, len(p))
		for i, q := range p {
			q.X *= mirror
			moved[i] = geom.PointMM{X: cos*q.X - sin*q.Y, Y: sin*q.X + cos*q.Y}.Mul(scale).Add(shift)
		}
		b, err := FitArc(moved, nil)
		if err != nil {
			t.Fatal(err)
		}
		if want := mirror * a.Curvature / scale; math.Abs(b.Curvature-want) > 1e-7/scale {
			t.Fatalf("curvature %g, want %g", b.Curvature, want)
		}
		if math.Abs(b.RMS-a.RMS*scale) > 1e-6*scale {
			t.Fatalf("rms %g, want %g", b.RMS, a.RMS*scale)
		}
		for i, j := 0, len(moved)-1; i < j; i, j = i+1, j-1 {
			moved[i], moved[j] = moved[j], moved[i]
		}
		c, err := FitArc(moved, nil)
		if err != nil || math.Abs(c.Curvature+b.Curvature) > 1e-7/scale {
			t.Fatalf("reversed: curvature %g, want %g (%v)", c.Curvature, -b.Curvature, err)
		}
	})
}

// The standard error of the curvature of nearly straight arcs, from the
// residuals, against the scatter over many fits. Source: definition.
func TestCurvatureSigma(t *testing.T) {
	noise := rand.New(rand.NewPCG(5, 8))
	f := tube(1e-4, 1000, 0)
	var sum, sumSq, claimed float64
	const runs = 2000
	for range runs {
		var p []geom.PointMM
		for s := 0.0; s <= 100; s += 2 {
			q, _, n := f.at(s)
			p = append(p, q.Add(n.Mul(0.2*noise.NormFloat64())))
		}
		a, err := FitArc(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		sum += a.Curvature
		sumSq += a.Curvature * a.Curvature
		claimed += a.CurvatureSigma
	}
	mean := sum / runs
	scatter := math.Sqrt(sumSq/runs - mean*mean)
	near(t, "claimed over seen", claimed/runs/scatter, 1, 0.06) // 4 standard errors of a standard deviation of 2000
	near(t, "mean curvature", mean, -1e-4, 4*scatter/math.Sqrt(runs))
}

// The closed-form gradient against finite differences.
func TestCurvatureGradient(t *testing.T) {
	noise := rand.New(rand.NewPCG(3, 3))
	for _, k := range []float64{0, 0.002, -0.03} {
		f := tube(k, 1000, 0)
		var p, clock []geom.PointMM
		for s := 0.0; s <= 60; s += 5 {
			q, tangent, n := f.at(s)
			p = append(p, q.Add(n.Mul(1e-4*noise.NormFloat64())))
			clock = append(clock, clockwise(tangent))
		}
		fit, err := fitArc(p, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, g := range fit.curvatureGradient() {
			const h = 1e-4
			up, down := append([]geom.PointMM(nil), p...), append([]geom.PointMM(nil), p...)
			up[i], down[i] = p[i].Add(clock[i].Mul(h)), p[i].Sub(clock[i].Mul(h))
			a, errA := FitArc(up, nil)
			b, errB := FitArc(down, nil)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			near(t, "gradient", g, (a.Curvature-b.Curvature)/(2*h), 1e-7)
		}
	}
}

func points(xy ...float64) []geom.PointMM {
	var p []geom.PointMM
	for i := 0; i < len(xy); i += 2 {
		p = append(p, geom.PointMM{X: xy[i], Y: xy[i+1]})
	}
	return p
}

func BenchmarkFitArc(b *testing.B) {
	noise := rand.New(rand.NewPCG(1, 2))
	f := tube(1e-3, 1000, 0)
	var p []geom.PointMM
	for s := 0.0; s < 300; s++ {
		q, _, n := f.at(s)
		p = append(p, q.Add(n.Mul(0.2*noise.NormFloat64())))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FitArc(p, nil); err != nil {
			b.Fatal(err)
		}
	}
}
