package detect

import (
	"math"
	"slices"
	"testing"

	"shaftgauge/measure/geom"
)

// Straight pieces of 20 mm through points of an arc of 1 m radius lie inside it by
// no more than their sagitta, c²/8R = 0.05 mm.
func TestDrawEdgeOnArc(t *testing.T) {
	sp := geom.Spacing{Y: 0.5, X: 0.25}
	const radius, piece = 1000.0, 20.0
	var p []geom.PointPx
	for along := 0.0; along <= 300; along += piece {
		sin, cos := math.Sincos(along / radius)
		p = append(p, sp.Px(geom.PointMM{X: radius * cos, Y: radius * sin}))
	}
	f := Femur{WorkingSpacing: sp}
	if err := f.DrawEdge(true, true, p, 0.5); err != nil {
		t.Fatal(err)
	}
	e := f.OuterClockwise
	if len(e.P) < 295 || len(e.Sigma) != len(e.P) || !slices.Equal(e.P, f.Second.OuterClockwise.P) {
		t.Fatalf("%d points, %d sigmas, %d in the second estimate", len(e.P), len(e.Sigma), len(f.Second.OuterClockwise.P))
	}
	for i := range e.P {
		q := sp.MM(e.P[i])
		if in := radius - q.Norm(); in < -1e-6 || in > piece*piece/8/radius+1e-6 {
			t.Errorf("point %d lies %.3f mm inside the arc", i, in)
		}
		if e.Sigma[i] != 0.5 || i > 0 && math.Abs(q.Sub(sp.MM(e.P[i-1])).Norm()-1) > 0.05 {
			t.Errorf("point %d: sigma %v, at %v", i, e.Sigma[i], q)
		}
	}
}

// A line drawn across a gap, whichever way, takes the place of what was found
// between its ends, and of that only; other edges stay.
func TestDrawEdgeAcrossGap(t *testing.T) {
	sp := geom.Spacing{Y: 1, X: 1}
	line := func(x float64, from, to int) (e Edge) {
		for y := from; y <= to; y++ {
			e.P, e.Sigma = append(e.P, geom.PointPx{X: x, Y: float64(y)}), append(e.Sigma, 0.1)
		}
		return e
	}
	found := line(50, 0, 80)
	below := line(50, 140, 200)
	found.P, found.Sigma = append(found.P, below.P...), append(found.Sigma, below.Sigma...)
	for name, p := range map[string][]geom.PointPx{"down": {{X: 51, Y: 75}, {X: 51, Y: 110}, {X: 51, Y: 145}}, "up": {{X: 51, Y: 145}, {X: 51, Y: 75}}} {
		f := Femur{OuterClockwise: line(80, 0, 200), InnerCounter: found, WorkingSpacing: sp, Second: Edges{InnerCounter: line(49, 0, 200)}}
		before := slices.Clone(found.P)
		if err := f.DrawEdge(false, false, p, 0.5); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			e Edge
			x float64
		}{{f.InnerCounter, 50}, {f.Second.InnerCounter, 49}} {
			if len(c.e.P) != 201 {
				t.Fatalf("%s: %d points, want 201", name, len(c.e.P))
			}
			for y, q := range c.e.P {
				want, sigma := c.x, 0.1
				if y >= 75 && y <= 145 {
					want, sigma = 51, 0.5
				}
				if math.Abs(q.X-want) > 1e-9 || math.Abs(q.Y-float64(y)) > 1e-9 || c.e.Sigma[y] != sigma {
					t.Errorf("%s: point %d at %v, sigma %v", name, y, q, c.e.Sigma[y])
				}
			}
		}
		if len(f.OuterClockwise.P) != 201 || len(f.InnerClockwise.P) != 0 || !slices.Equal(found.P, before) {
			t.Errorf("%s: another edge, or the femur before, was changed", name)
		}
	}
}

func TestDrawEdgeRefused(t *testing.T) {
	for name, p := range map[string][]geom.PointPx{
		"nothing":    nil,
		"one point":  {{X: 1, Y: 1}},
		"too short":  {{X: 1, Y: 1}, {X: 1, Y: 5}},
		"too long":   {{X: 1, Y: 1}, {X: 1, Y: 800}},
		"no number":  {{X: 1, Y: 1}, {X: math.NaN(), Y: 50}},
		"turns back": {{X: 1, Y: 1}, {X: 1, Y: 60}, {X: 2, Y: 40}, {X: 2, Y: 90}},
		"a circle":   {{X: 0, Y: 0}, {X: 50, Y: 0}, {X: 50, Y: 50}, {X: 0, Y: 0}},
	} {
		f := Femur{WorkingSpacing: geom.Spacing{Y: 1, X: 1}}
		if err := f.DrawEdge(true, true, p, 0.5); err == nil || f.OuterClockwise.P != nil {
			t.Errorf("%s: %v, %d points", name, err, len(f.OuterClockwise.P))
		}
	}
}
