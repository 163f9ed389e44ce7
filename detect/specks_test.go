package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/measure/geom"
)

// Specks and scratches of a scanned film are no metal, clips and the strokes of
// letters are. Sizes: specks below 1 mm, scratches of a pixel; clips and letters as
// on the films of a clinic (common practice, no source).
func TestSpecksAreNoMetal(t *testing.T) {
	const pixel, rows, cols = 0.15, 1200, 1000
	const tissue, contrast, grain = 20000.0, 8000.0, 300.0
	sp := geom.Spacing{Y: pixel, X: pixel}
	// All lie at this place, 12 mm from the middle of a shaft of 28 mm: over its cortex.
	const x, y = cols/2*pixel + 12, rows / 2 * pixel
	bar := func(long, wide, degrees float64) func(p geom.PointMM) bool {
		sn, cs := math.Sincos(degrees * math.Pi / 180)
		return func(p geom.PointMM) bool {
			u, v := (p.X-x)*cs+(p.Y-y)*sn, (p.Y-y)*cs-(p.X-x)*sn
			return math.Abs(u) < long/2 && math.Abs(v) < wide/2
		}
	}
	disc := func(p geom.PointMM) bool { return math.Hypot(p.X-x, p.Y-y) < 0.45 }
	for _, c := range []struct {
		name   string
		covers func(p geom.PointMM) bool
		rise   float64 // of the contrast of bone
		metal  bool
	}{
		{"nothing", func(geom.PointMM) bool { return false }, 0, false},
		{"white speck", disc, 3, false},
		{"black speck", disc, -3, false},
		{"scratch", bar(40, pixel, 20), 3, false},
		{"clip", bar(5, 1, 30), 1, true},
		{"wire round the bone", bar(30, 1.2, 8), 1.5, true},
		{"stroke of a black letter", bar(8, 1, 90), -2, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, 2))
			full := &plane{rows: rows, cols: cols, k: 1}
			for r := range rows {
				for k := range cols {
					p := sp.MM(geom.PointPx{X: float64(k), Y: float64(r)})
					v := tissue + grain*rng.NormFloat64()
					if d := math.Abs(p.X - cols/2*pixel); d < 14 {
						v += contrast * (0.4 + 0.6*d/14)
					}
					if c.covers(p) {
						v += c.rise * contrast
					}
					full.pix = append(full.pix, uint16(v))
				}
			}
			m := newMidline([]geom.PointMM{{X: cols / 2 * pixel, Y: 5}, {X: cols / 2 * pixel, Y: rows*pixel - 5}}, metalPitch)
			v := &metalView{m: m, rows: len(m.p) / 2, cols: metalCols / 2}
			v.prob = make([][metalClasses]float64, v.rows*v.cols)
			for i := range v.prob {
				q, _ := v.at(i/v.cols, i%v.cols)
				v.prob[i][metalNone] = 1
				if math.Hypot(q.X-x, q.Y-y) < 2.5 {
					v.prob[i] = [metalClasses]float64{metalNone: 0.3, metalOther: 0.7}
				}
			}
			sure := &metalView{m: m, rows: v.rows, cols: v.cols, prob: slices.Clone(v.prob)}
			at := slices.IndexFunc(sure.prob, func(p [metalClasses]float64) bool { return p[metalOther] > 0 })
			sure.prob[at] = [metalClasses]float64{metalNone: 0.1, metalOther: 0.9}
			sure.dismissSpecks(full, sp, contrast)
			if sure.prob[at][metalOther] == 0 {
				t.Error("dismissed where both networks are sure")
			}
			v.dismissSpecks(full, sp, contrast)
			left := false
			for _, p := range v.prob {
				left = left || p[metalOther] > 0
			}
			if left != c.metal {
				t.Errorf("taken for metal: %t", left)
			}
		})
	}
}
