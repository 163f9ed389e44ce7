package measure

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// TestMidlineSettlesBesideStrayEnd: a tube 30 mm wide with straight axis (closed form)
// widens to one side at its top, and the trace of that side leaves the bone there for
// the last millimetres. The mid-line must lie on the axis where the tube is one.
func TestMidlineSettlesBesideStrayEnd(t *testing.T) {
	for _, c := range []struct{ off, wider, over geom.MM }{{7, 5, 5}, {7, 15, 8}, {9, 10, 8}} {
		var e [2]Edge
		add := func(k int, x, y geom.MM) {
			e[k].P, e[k].Sigma = append(e[k].P, geom.PointMM{X: x, Y: y}), append(e[k].Sigma, 0.1)
		}
		outer := func(y geom.MM) geom.MM { return 15 + c.wider*math.Pow(max(0, 50-y)/50, 2) }
		for y := -4.0; y <= 300; y += 2 {
			add(1, -15, y)
		}
		for y := 0.0; y < c.over; y++ {
			add(0, outer(y)+c.off, y)
		}
		for y := c.over; y <= 300; y += 2 {
			add(0, outer(y), y)
		}
		s, err := NewShaft(Contours{OuterPos: e[0], OuterNeg: e[1]}, 1)
		if err != nil {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		for i, q := range s.Mid {
			if q.Y > 100 && math.Abs(q.X) > 0.01 {
				t.Errorf("%+v: mid-line %.3f mm off the axis at %.0f mm", c, q.X, s.S[i])
				break
			}
		}
	}
}
