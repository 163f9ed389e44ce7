package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// Whittaker's smoother with second differences leaves a straight line as it
// is, whatever λ, and bridges what is missing: both follow from its definition.
func TestSmoothKeepsLines(t *testing.T) {
	y, w := make([]float64, 40), make([]float64, 40)
	for i := range y {
		y[i], w[i] = 3+0.7*float64(i), 1
	}
	for i := 12; i < 20; i++ {
		y[i], w[i] = 999, 0
	}
	for _, lambda := range []float64{0.1, 30, 1e4} {
		for i, z := range smooth(y, w, lambda) {
			if want := 3 + 0.7*float64(i); math.Abs(z-want) > 1e-4 {
				t.Errorf("λ %v: z[%d] = %v, want %v", lambda, i, z, want)
			}
		}
	}
}

// The sum of the weighted residuals and their first moment vanish: the normal
// equations of the smoother against a constant and a line.
func TestSmoothKeepsMoments(t *testing.T) {
	y, w := make([]float64, 50), make([]float64, 50)
	for i := range y {
		y[i], w[i] = math.Sin(float64(i*i)), 1+math.Mod(float64(i), 3)
	}
	z := smooth(y, w, 50)
	var s0, s1 float64
	for i := range y {
		s0 += w[i] * (y[i] - z[i])
		s1 += w[i] * (y[i] - z[i]) * float64(i)
	}
	if math.Abs(s0) > 1e-5 || math.Abs(s1) > 1e-3 {
		t.Errorf("moments of the residual %v, %v, want 0", s0, s1)
	}
}

func TestMidlineSpacingAndNormals(t *testing.T) {
	m := newMidline([]geom.PointMM{{X: 10, Y: 0}, {X: 10, Y: 50}, {X: 10, Y: 101}}, 2)
	if len(m.p) != 51 {
		t.Fatalf("%d points, want 51", len(m.p))
	}
	for i, p := range m.p {
		if math.Abs(p.Y-2*float64(i)) > 1e-9 {
			t.Errorf("point %d at %v", i, p)
		}
		// Proximal is up on this film; clockwise of up is right.
		if math.Abs(m.n[i].X-1) > 1e-9 || math.Abs(m.n[i].Y) > 1e-9 {
			t.Errorf("normal %d = %v, want (1, 0)", i, m.n[i])
		}
	}
	e := m.extend(10, 20)
	if len(e.p) != 51+5+10 || math.Abs(e.p[0].Y+10) > 1e-9 {
		t.Errorf("extended to %d points from %v", len(e.p), e.p[0])
	}
}

func TestExposedLeavesBurntBorders(t *testing.T) {
	const rows, cols = 900, 700
	g := &plane{rows: rows, cols: cols, k: 1, pix: make([]uint16, rows*cols)}
	for y := range rows {
		for x := range cols {
			v := uint16(65535)
			if y >= 100 && y < 800 && x >= 150 && x < 600 {
				v = uint16(10000 + 20*x + 13*y%97)
			}
			g.pix[y*cols+x] = v
		}
	}
	sp := geom.Spacing{Y: 0.5, X: 0.5}
	if f := exposed(g, sp); f.top != 100 || f.rows != 700 || f.cols < 450 || f.cols > 530 {
		t.Errorf("exposed part %+v", f)
	}
}

// A small field on a large plate: around it the plate is burnt but for scatter and
// noise, so that few pixels lie at the very end of the range.
func TestExposedLeavesScatter(t *testing.T) {
	const rows, cols = 900, 1200
	g := &plane{rows: rows, cols: cols, k: 1, pix: make([]uint16, rows*cols)}
	for y := range rows {
		for x := range cols {
			v := 65535 - uint16((x*7919+y*104729)%1600)
			if y >= 300 && y < 420 && x >= 500 && x < 700 {
				v = uint16(10000 + 20*x)
			}
			g.pix[y*cols+x] = v
		}
	}
	sp := geom.Spacing{Y: 0.5, X: 0.5}
	least := int(leastPart / sp.X)
	if f := exposed(g, sp); f.top > 300 || f.top+f.rows < 420 || f.left > 500 || f.left+f.cols < 700 || f.rows > least || f.cols > least {
		t.Errorf("exposed part %+v", f)
	}
}
