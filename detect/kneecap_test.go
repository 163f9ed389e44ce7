package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// Steps drawn below two places: of twice the shaft's own they are bone, of three times
// metal, but not where one of the two is bone; off the film nothing is told.
func TestCapped(t *testing.T) {
	sp := geom.Spacing{Y: 0.25, X: 0.25}
	const usual, edge = 400.0, 40.0
	draw := func(left, right float64) *plane {
		g := &plane{pix: make([]uint16, 240*320), rows: 240, cols: 320, k: 1}
		for y := range g.rows {
			for x := range g.cols {
				v := 5000.0
				if float64(y)*sp.Y < edge {
					v += usual * map[bool]float64{true: left, false: right}[x < g.cols/2]
				}
				g.pix[y*g.cols+x] = uint16(v)
			}
		}
		return g
	}
	shaft := &shaftTrace{side: [2][]level{{{ok: true, contrast: usual}}, {{ok: true, contrast: usual}}}}
	at, distal := [2]geom.PointMM{{X: 20, Y: edge}, {X: 60, Y: edge}}, geom.PointMM{Y: 1}
	for _, c := range []struct {
		left, right float64
		want        bool
	}{{2, 2, false}, {3, 3, true}, {3, 1, false}} {
		if got := shaft.capped(draw(c.left, c.right), sp, at, distal); got != c.want {
			t.Errorf("%v: capped %v", c, got)
		}
	}
	if r := riseAcross(draw(3, 3), sp, geom.PointMM{X: 500, Y: 500}, distal); !math.IsNaN(r) {
		t.Errorf("off the film: %v", r)
	}
}
