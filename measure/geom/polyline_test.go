package geom

import (
	"math"
	"slices"
	"testing"
)

// A 3-4-5 polyline: source, Pythagoras.
var bent = []PointMM{{0, 0}, {3, 4}, {3, 9}, {-1, 9}}

func TestArcLengths(t *testing.T) {
	if got, want := ArcLengths(bent), []MM{0, 5, 10, 14}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if ArcLengths(nil) != nil {
		t.Error("lengths of nothing")
	}
}

func TestProject(t *testing.T) {
	for _, c := range []struct {
		q, foot     PointMM
		s, distance MM
	}{
		{PointMM{5, 7}, PointMM{3, 7}, 8, 2},
		{PointMM{-3, -4}, PointMM{0, 0}, 0, 5},   // before the first end
		{PointMM{-4, 13}, PointMM{-1, 9}, 14, 5}, // past the last
		{PointMM{6, 12}, PointMM{3, 9}, 10, math.Sqrt(18)},
	} {
		foot, s, distance, ok := Project(bent, c.q)
		if !ok || foot.Sub(c.foot).Norm() > 1e-12 || math.Abs(s-c.s) > 1e-12 || math.Abs(distance-c.distance) > 1e-12 {
			t.Errorf("%v: %v %v %v %v, want %+v", c.q, foot, s, distance, ok, c)
		}
	}
	if _, _, _, ok := Project(nil, PointMM{}); ok {
		t.Error("projected onto nothing")
	}
}
