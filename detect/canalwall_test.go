package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
)

// A wall of 2 mm round a hollow of some 24 mm, whose outline leans by half a mm a mm,
// has its inner edge where it was drawn, though the network puts it 4 mm deeper and is
// unsure of it; where no bone is drawn the network's place stands, with its own
// uncertainty. Source: the wall drawn.
func TestCanalLateral(t *testing.T) {
	const rows, cols, pitch, wall, radius, lean, edge = 500, 500, 0.2, 2.0, 26.0, -0.5, 70.0
	sp := geom.Spacing{Y: pitch, X: pitch}
	tip, down, medial := geom.PointMM{X: 40, Y: 70}, geom.PointMM{Y: 1}, geom.PointMM{X: -1}
	base := tip.Sub(down.Mul(canalAbove))
	slant := math.Hypot(1, lean)
	chord := func(depth, r float64) float64 {
		if depth <= 0 {
			return 0
		}
		return math.Sqrt(max(0, r*r-(r-depth)*(r-depth)))
	}
	draw := func(contrast float64) *hip {
		g := &plane{pix: make([]uint16, rows*cols), rows: rows, cols: cols, k: 1}
		rng := rand.New(rand.NewPCG(1, 2))
		for y := range rows {
			for x := range cols {
				depth := (edge + lean*(float64(y)*pitch-base.Y) - float64(x)*pitch) / slant
				v := chord(depth, radius) - 0.8*chord(depth-wall, radius-wall)
				g.pix[y*cols+x] = uint16(20000 + contrast*v + 100*rng.NormFloat64())
			}
		}
		h := &hip{sheet: sheet{film: g, sp: sp}, marks: make([]patchMark, hipMarks), blur: Blur{SigmaMM: 0.2}}
		h.marks[hipCanalLateral] = patchMark{at: geom.PointMM{X: edge - wall*slant - 4, Y: base.Y}, there: 1, along: 2, cross: 2.5, certain: 0.6}
		return h
	}
	h := draw(600)
	l := h.canalLateral(tip, down, medial)
	if l == nil {
		t.Fatal("no edge")
	}
	if off := sp.MM(l.P).X - (edge - wall*slant); math.Abs(off) > 0.6 || l.Sigma < math.Abs(off)/2 || l.Sigma > 1.5 {
		t.Errorf("edge %.2f mm off, sigma %.2f", off, l.Sigma)
	}
	h = draw(0)
	l = h.canalLateral(tip, down, medial)
	want, _ := h.sigma(hipCanalLateral, hipProb)
	if l == nil || sp.MM(l.P).Sub(h.marks[hipCanalLateral].at).Norm() > 1e-9 || l.Sigma != want {
		t.Errorf("without a wall: %+v, want the network's word, sigma %.2f", l, want)
	}
}
