package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// shaded is the film of a bone in tissue, 0.5 mm a pixel, its axis bent to a radius of
// 1 m, with what shade makes of the brightness at a place in mm.
func shaded(rng *rand.Rand, shade func(x, y, v float64) float64) (*plane, geom.Spacing) {
	const rows, cols, radius = 600, 400, 15.0
	sp := geom.Spacing{Y: 0.5, X: 0.5}
	p := &plane{rows: rows, cols: cols, k: 1, pix: make([]uint16, rows*cols)}
	for i := range rows {
		for j := range cols {
			x, y := float64(j)*sp.X, float64(i)*sp.Y
			off := x - 90 - (y-150)*(y-150)/2000
			v := 9000 + 30*chord(80, x-95-(y-150)*(y-150)/900) + 400*chord(radius, off) + 150*rng.NormFloat64()
			p.pix[i*cols+j] = uint16(clamp(shade(x, y, v), 0, 65535))
		}
	}
	return p, sp
}

// A border is found where it was drawn, sharp or not, whatever lies beyond it; without one
// no edge of the bone or the limb is taken for it.
func TestBordersOfTheField(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	if p, sp := shaded(rng, func(x, y, v float64) float64 { return v }); len(exposedField(p, sp)) > 0 {
		t.Errorf("on an open field: %v", exposedField(p, sp))
	}
	sn, cs := math.Sincos(7 * math.Pi / 180)
	for _, c := range []struct {
		name             string
		at, sharp, noise float64
		beyond           float64
	}{{"black", 78, 0.2, 0, 0}, {"white", 60, 0.4, 0, 65535}, {"scatter", 70, 1, 250, 30000}} {
		p, sp := shaded(rng, func(x, y, v float64) float64 {
			d := x*cs + (y-150)*sn - c.at
			in := 1 / (1 + math.Exp(-2*d/c.sharp))
			return v*in + (c.beyond+c.noise*rng.NormFloat64())*(1-in)
		})
		f := exposedField(p, sp)
		if len(f) != 1 {
			t.Errorf("%s: %d borders", c.name, len(f))
			continue
		}
		if turned := math.Abs(f[0].out.Cross(geom.PointMM{X: -cs, Y: -sn})) * 180 / math.Pi; turned > 0.3 || f[0].out.X > 0 {
			t.Errorf("%s: turned by %.2f°, out %v", c.name, turned, f[0].out)
		}
		for _, y := range [3]float64{30, 150, 270} {
			if d := f[0].beyond(geom.PointMM{X: (c.at - (y-150)*sn) / cs, Y: y}); math.Abs(d) > borderBeside/2 {
				t.Errorf("%s: %.2f mm off at %g mm", c.name, d, y)
			}
		}
	}
}

// What is left of a shaft that is cut by the field's border lies on the true silhouettes:
// none of its edges is made of the border.
func TestNoEdgeAtTheBorder(t *testing.T) {
	film := simulate.Draw(rand.New(rand.NewPCG(5, 1)), "ap_full").Render()
	truth := &film.Truth.Femurs[0]
	outer, medial := truth.Contours["outer_lateral"], truth.Contours["outer_medial"]
	upper, lower := outer[len(outer)/4], outer[len(outer)*3/4]
	along := vectorPx(upper, lower).Unit()
	out := geom.PointMM{X: along.Y, Y: -along.X}
	if vectorPx(medial[len(medial)/2], outer[len(outer)/2]).Dot(out) < 0 {
		out = out.Mul(-1)
	}
	mm := film.Truth.Spacing.X
	img := asShown(film)
	pixels := make([]uint16, len(img.Pixels))
	for i, v := range img.Pixels {
		d := vectorPx(upper, geom.PointPx{X: float64(i % img.Cols), Y: float64(i / img.Cols)}).Dot(out) * mm
		pixels[i] = uint16(float64(v) / (1 + math.Exp(4*(d+6))))
	}
	img.Pixels = pixels
	found, err := Femurs(img)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		for _, e := range []Edge{f.OuterClockwise, f.OuterCounter} {
			bad := 0
			for _, p := range e.P {
				if math.Min(off(p, outer), off(p, medial))*mm > 1.5 {
					bad++
				}
			}
			if bad > len(e.P)/20 {
				t.Errorf("%d of %d points are on no edge", bad, len(e.P))
			}
		}
	}
}

func vectorPx(a, b geom.PointPx) geom.PointMM { return geom.PointMM{X: b.X - a.X, Y: b.Y - a.Y} }
