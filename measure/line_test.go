package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure/geom"
)

// Source: K. Pearson, Phil. Mag. (6) 2 (1901) 559–572, his ten points; best
// line y = 5.784 − 0.5456 x, more decimals recomputed outside the project.
func TestFitLinePearson(t *testing.T) {
	x := []float64{0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4}
	y := []float64{5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5}
	var p []geom.PointMM
	for i := range x {
		p = append(p, geom.PointMM{X: x[i], Y: y[i]})
	}
	l, err := FitLine(p, nil)
	if err != nil {
		t.Fatal(err)
	}
	slope := l.D.Y / l.D.X
	near(t, "slope", slope, -0.545561, 5e-7)
	near(t, "intercept", l.P.Y-slope*l.P.X, 5.784044, 5e-7)
}

func TestFitLineRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		p    []geom.PointMM
		want Reason
	}{
		{"one point", points(1, 1), TooFewPoints},
		{"one place", points(1, 1, 1, 1), Degenerate},
		{"square", points(0, 0, 1, 0, 1, 1, 0, 1), Degenerate},
		{"not a number", points(0, 0, 1, math.NaN()), Degenerate},
	} {
		_, err := FitLine(c.p, nil)
		var e *Error
		if !errors.As(err, &e) || e.Reason != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

// The direction follows rotation, mirror, shift and order; the residual follows
// scale.
func TestFitLineFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		noise := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		var p []geom.PointMM
		var sigma []float64
		for i := range 20 {
			sg := 0.1 + noise.Float64()
			p = append(p, geom.PointMM{X: float64(3 * i), Y: sg * noise.NormFloat64()})
			sigma = append(sigma, sg)
		}
		a, err := FitLine(p, sigma)
		if err != nil {
			t.Fatal(err)
		}
		turn := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "turn")
		mirror := rapid.SampledFrom([]float64{1, -1}).Draw(t, "mirror")
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		move := func(q geom.PointMM) geom.PointMM {
			sin, cos := math.Sincos(turn)
			return geom.PointMM{X: cos*q.X - sin*mirror*q.Y, Y: sin*q.X + cos*mirror*q.Y}.Mul(scale)
		}
		moved := make([]geom.PointMM, len(p))
		wide := make([]float64, len(p))
		for i, q := range p {
			moved[i], wide[i] = move(q), scale*sigma[i]
		}
		b, err := FitLine(moved, wide)
		if err != nil {
			t.Fatal(err)
		}
		if off := SignedAngle(move(a.D), b.D); math.Abs(float64(off)) > 1e-9 {
			t.Fatalf("direction off by %g", off)
		}
		if math.Abs(b.RMS-scale*a.RMS) > 1e-9*scale || math.Abs(float64(b.DirSigma-a.DirSigma)) > 1e-9 {
			t.Fatalf("rms %g sigma %g, want %g %g", b.RMS, b.DirSigma, scale*a.RMS, a.DirSigma)
		}
	})
}

// Known sigmas give the scatter of the direction. Source: definition.
func TestFitLineSigma(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 4))
	var sumSq, claimed float64
	const runs = 2000
	for range runs {
		var p []geom.PointMM
		var sigma []float64
		for i := range 30 {
			sg := 0.1 + 0.02*float64(i)
			p = append(p, geom.PointMM{X: float64(i), Y: sg * noise.NormFloat64()})
			sigma = append(sigma, sg)
		}
		l, err := FitLine(p, sigma)
		if err != nil {
			t.Fatal(err)
		}
		sumSq += square(math.Atan2(l.D.Y, l.D.X))
		claimed = float64(l.DirSigma)
	}
	near(t, "claimed over seen", claimed/math.Sqrt(sumSq/runs), 1, 0.07)
}

// Source: definition; on a film Y points down, so from right to down is clockwise.
func TestSignedAngle(t *testing.T) {
	right, down := geom.PointMM{X: 1}, geom.PointMM{Y: 1}
	near(t, "right to down", SignedAngle(right, down).Degrees(), 90, 1e-12)
	near(t, "down to right", SignedAngle(down, right).Degrees(), -90, 1e-12)
}
