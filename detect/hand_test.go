package detect

import (
	"math"
	"slices"
	"testing"

	"shaftgauge/measure/geom"
)

// An edge straight down the film, 1 mm between its points, moved sideways by 4 mm:
// whole at the hand, a half of it 7.5 mm away (cos² of an eighth of a turn),
// nothing from 15 mm on. What the second estimate had there gives way.
func TestMoveEdge(t *testing.T) {
	sp := geom.Spacing{Y: 0.5, X: 0.25}
	line := func(x, step float64) (e Edge) {
		for y := 0.0; y <= 200; y += step {
			e.P, e.Sigma = append(e.P, sp.Px(geom.PointMM{X: x, Y: y})), append(e.Sigma, 0.1)
		}
		return e
	}
	f := Femur{OuterClockwise: line(50, 1), InnerClockwise: line(44, 1), WorkingSpacing: sp, Second: Edges{OuterClockwise: line(50.2, 2), InnerClockwise: line(44.2, 2)}}
	was := f
	was.OuterClockwise.P, was.Second.OuterClockwise.P = slices.Clone(f.OuterClockwise.P), slices.Clone(f.Second.OuterClockwise.P)
	before := f
	from := sp.Px(geom.PointMM{X: 50, Y: 100})
	if err := f.MoveEdge(true, true, from, sp.Px(geom.PointMM{X: 54, Y: 100}), 0.5, 15); err != nil {
		t.Fatal(err)
	}
	for y, want := range map[int]float64{100: 4, 92: 4 * math.Pow(math.Cos(math.Pi/2*8/15), 2), 115: 0, 85: 0, 40: 0, 107: 4 * math.Pow(math.Cos(math.Pi/2*7/15), 2)} {
		p := sp.MM(f.OuterClockwise.P[y])
		if math.Abs(p.X-50-want) > 1e-9 || math.Abs(p.Y-float64(y)) > 1e-9 {
			t.Errorf("at %d mm: moved to %v, want by %.3f", y, p, want)
		}
	}
	if s := f.OuterClockwise.Sigma; s[100] != 0.5 || s[40] != 0.1 || s[108] <= 0.1 || s[108] >= 0.5 {
		t.Errorf("sigma %v at the hand, %v beside it, %v far away", s[100], s[108], s[40])
	}
	if !slices.Equal(f.InnerClockwise.P, before.InnerClockwise.P) || !slices.Equal(f.Second.InnerClockwise.P, before.Second.InnerClockwise.P) {
		t.Error("the inner edge moved with the outer")
	}
	last := -1.0
	for _, p := range f.Second.OuterClockwise.P {
		q := sp.MM(p)
		want := 50.2
		if math.Abs(q.Y-100) < 15 {
			want = sp.MM(f.OuterClockwise.P[int(math.Round(q.Y))]).X
		}
		if math.Abs(q.X-want) > 1e-9 || q.Y <= last {
			t.Errorf("second estimate at %.1f mm: %.3f, want %.3f, after %.1f", q.Y, q.X, want, last)
		}
		last = q.Y
	}
	if last != 200 {
		t.Errorf("the second estimate ends at %v", last)
	}
	if !slices.Equal(before.OuterClockwise.P, was.OuterClockwise.P) || !slices.Equal(before.Second.OuterClockwise.P, was.Second.OuterClockwise.P) {
		t.Error("the femur before was written to")
	}
}

// A move stays with the points' order: no fold even at its longest.
func TestMoveEdgeDoesNotFold(t *testing.T) {
	sp := geom.Spacing{Y: 1, X: 1}
	var e Edge
	for y := range 101 {
		e.P, e.Sigma = append(e.P, geom.PointPx{X: 10, Y: float64(y)}), append(e.Sigma, 0.1)
	}
	for _, by := range []float64{mostHand, -mostHand} {
		f := Femur{OuterCounter: e, WorkingSpacing: sp}
		if err := f.MoveEdge(false, true, geom.PointPx{X: 10, Y: 50}, geom.PointPx{X: 10, Y: 50 + by}, 0.5, 15); err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(f.OuterCounter.P); i++ {
			if f.OuterCounter.P[i].Y <= f.OuterCounter.P[i-1].Y {
				t.Fatalf("by %v: folded at %d: %v", by, i, f.OuterCounter.P[i])
			}
		}
	}
}

func TestMoveEdgeRefused(t *testing.T) {
	f := Femur{WorkingSpacing: geom.Spacing{Y: 1, X: 1}, OuterCounter: Edge{P: []geom.PointPx{{X: 0, Y: 0}, {X: 0, Y: 1}}, Sigma: []float64{1, 1}}}
	for name, c := range map[string]struct {
		clockwise, outer bool
		from, to         geom.PointPx
	}{
		"no such edge":  {true, true, geom.PointPx{}, geom.PointPx{X: 1}},
		"no inner edge": {false, false, geom.PointPx{}, geom.PointPx{X: 1}},
		"far from it":   {false, true, geom.PointPx{X: 11}, geom.PointPx{X: 12}},
		"too far":       {false, true, geom.PointPx{}, geom.PointPx{X: 9.1}},
		"no number":     {false, true, geom.PointPx{}, geom.PointPx{X: math.NaN()}},
		"from none":     {false, true, geom.PointPx{X: math.NaN()}, geom.PointPx{}},
	} {
		g := f
		if err := g.MoveEdge(c.clockwise, c.outer, c.from, c.to, 0.5, 15); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
