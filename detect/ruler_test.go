package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// A ruler is marks 10 mm apart on a straight line, each fifth of them wider; a plate is
// one long thing, wires are as wide as the bone, and few screws are no row.
func TestNameRulers(t *testing.T) {
	const rows, cols = 160, 80
	paint := func(things [][4]float64) (named bool) {
		v := &metalView{rows: rows, cols: cols, prob: make([][metalClasses]float64, rows*cols)}
		var line []geom.PointMM
		for k := range 2 * rows {
			line = append(line, geom.PointMM{X: 100, Y: float64(k) * metalPitch})
		}
		v.m = newMidline(line, metalPitch)
		for i := range v.prob {
			r, c := i/cols, i%cols
			x, y := (2*float64(c)+0.5-metalCols/2)*metalPitch, 2*float64(r)*metalPitch
			v.prob[i][metalNone] = 1
			for _, q := range things { // middle along and across, length along and across
				if math.Abs(y-q[0]) <= q[2]/2 && math.Abs(x-q[1]) <= q[3]/2 {
					v.prob[i] = [metalClasses]float64{metalNone: 0.05, metalOther: 0.95}
				}
			}
		}
		v.nameRulers()
		for _, p := range v.prob {
			if p[metalOther] > p[metalMark] {
				return false
			}
		}
		return true
	}
	var ruler, wires [][4]float64
	for i := range 20 {
		wide := 8.0
		if i%5 == 0 {
			wide = 14
		}
		ruler = append(ruler, [4]float64{20 + 10*float64(i), -28 + 0.4*float64(i), 2.5, wide})
	}
	for i := range 8 {
		wires = append(wires, [4]float64{30 + 20*float64(i), 0, 4, 34})
	}
	for _, c := range []struct {
		name   string
		things [][4]float64
		named  bool
	}{
		{"ruler", ruler, true},
		{"ruler and clip", append(ruler[:20:20], [4]float64{100, 20, 10, 10}), false},
		{"plate", [][4]float64{{120, 16, 150, 5}}, false},
		{"wires", wires, false},
		{"screws", [][4]float64{{50, 0, 4, 14}, {70, 0, 4, 14}, {90, 0, 4, 14}, {110, 0, 4, 14}}, false},
	} {
		if got := paint(c.things); got != c.named {
			t.Errorf("%s: a ruler alone: %v", c.name, got)
		}
	}
}
