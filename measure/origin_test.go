package measure

import (
	"math"
	"testing"
)

// The flank of the lesser trochanter, a parabola from 28 mm below its tip up, leans the
// mid-line's top by 18 degrees towards it. The levels are those of the shaft all the
// same: the mid-point at 50 mm is the phantom's by its definition, but for 0.5 mm by
// which the leaning line is longer than its projection on the shaft (closed form:
// 0.012²·28³/6).
func TestLevelsBelowASteepFlank(t *testing.T) {
	for _, curvature := range []float64{0, 1.0 / 943, -1.0 / 943} {
		f := waisted(curvature)
		f.s0 = 0
		medial := f.distance[1]
		f.distance[1] = func(s float64) float64 { return medial(s) + 0.012*square(max(0, 28-s)) }
		s, err := NewShaft(f.contours(1), 1)
		if err != nil {
			t.Fatal(err)
		}
		p, _, n := f.at(0)
		if !s.SetOrigin(p.Sub(n.Mul(f.distance[1](0)))) {
			t.Fatal("no origin")
		}
		want, along, _ := f.at(50)
		for i, level := range s.S {
			if level == 50 {
				if off := s.Mid[i].Sub(want).Dot(along); math.Abs(off) > 1 {
					t.Errorf("curvature %g: level 50 mm lies %.2f mm off along the shaft", curvature, off)
				}
				want.X = math.NaN()
			}
		}
		if !math.IsNaN(want.X) {
			t.Errorf("curvature %g: no level 50 mm", curvature)
		}
	}
}
