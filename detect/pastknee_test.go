package detect

import (
	"testing"

	"shaftgauge/measure/geom"
)

// Two shafts in line, one past the other's knee, and two side by side: a lower leg lies
// past the knee, the other thigh does not.
func TestLowerLegIsNoFemur(t *testing.T) {
	sp := geom.Spacing{Y: 0.5, X: 0.25}
	at := func(x, y float64) geom.PointPx { return sp.Px(geom.PointMM{X: x, Y: y}) }
	shaft := func(found, x, from, to float64) Femur {
		return Femur{Found: found,
			OuterClockwise: Edge{P: []geom.PointPx{at(x-15, from), at(x-15, to)}},
			OuterCounter:   Edge{P: []geom.PointPx{at(x+15, from), at(x+15, to)}}}
	}
	knee := func(f Femur, x, y float64) Femur {
		f.Located.CondyleLateral, f.Located.CondyleMedial = &Landmark{P: at(x-35, y)}, &Landmark{P: at(x+35, y+3)}
		return f
	}
	thigh := knee(shaft(0.99, 100, 0, 300), 110, 380)
	for _, c := range []struct {
		name  string
		other Femur
		want  int
	}{
		{"lower leg", shaft(0.9, 120, 400, 500), 1},
		{"a surer one", shaft(0.995, 120, 400, 500), 2},
		{"other thigh", knee(shaft(0.9, 300, 20, 320), 290, 400), 2},
		{"a shaft across the knee", shaft(0.9, 130, 330, 500), 2},
		{"one without edges", Femur{Found: 0.5}, 2},
	} {
		if got := withoutLowerLegs([]Femur{thigh, c.other}, sp); len(got) != c.want || got[0].Found != thigh.Found {
			t.Errorf("%s: %d left, want %d", c.name, len(got), c.want)
		}
	}
}
