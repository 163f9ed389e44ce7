package measure

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// arc is a tube whose outer edges lie alike on both sides of an arc of radius r.
func arc(r geom.MM) phantom {
	f := tube(1/r, 1000, 0)
	f.distance[1] = f.distance[0]
	return f
}

// Sagitta and angle between the end tangents of an arc over a chord of 300 mm,
// and sagitta over one of 200 mm, for radii published for the sagittal bow of
// femora; then radii whose sagitta over a chord is a round number.
//
// Source: closed forms computed outside the project to the decimals printed.
func TestBowOverAChord(t *testing.T) {
	for _, row := range []struct{ r, chord, sagitta, angle float64 }{
		{722, 300, 15.7536, 23.982}, {722, 200, 6.9587, 0},
		{943, 300, 12.0064, 18.305}, {943, 200, 5.3172, 0},
		{1120, 300, 10.0901, 15.393}, {1120, 200, 4.4732, 0},
		{1200, 300, 9.4119, 14.362}, {1200, 200, 4.1739, 0},
		{1450, 300, 7.7795, 11.876}, {1450, 200, 3.4524, 0},
		{2000, 300, 5.6329, 8.602}, {2000, 200, 2.5016, 0},
		{1130.0, 300, 10, 0}, {943.5, 300, 12, 0}, {1002.5, 200, 5, 0},
		{943, 298.736, 11.905, 300.0 / 943 * 180 / math.Pi},
	} {
		length := 2 * row.r * math.Asin(row.chord/(2*row.r))
		s := shaftOf(t, arc(row.r))
		in := span{10, 10 + length}
		b, ok := s.bowSagitta(in)
		if !ok {
			t.Fatalf("no sagitta of %v", row)
		}
		near(t, "sagitta", b.height, row.sagitta, 5e-4)
		near(t, "apex", b.apex, 10+length/2, 0.1)
		near(t, "chord", b.chordB.Sub(b.chordA.PointMM).Norm(), row.chord, 2e-3)
		k, _, _ := s.bowCurvature(in)
		near(t, "radius", 1/k, row.r, 0.01)
		if row.angle != 0 {
			near(t, "angle between the ends", k*length*180/math.Pi, row.angle, 6e-4)
		}
	}
}

// Source: lines over the end quarters of an arc of 300 mm make an angle of
// (1 − 1/4)·300 mm/r; degrees computed outside the project to two decimals.
func TestBowOverQuarters(t *testing.T) {
	for _, row := range []struct{ r, want float64 }{{722, 17.86}, {943, 13.67}, {1120, 11.51}, {1500, 8.59}, {3000, 4.30}} {
		x, _, ok := shaftOf(t, arc(row.r)).bowAngle(span{10, 310})
		if !ok {
			t.Fatalf("no angle of %v", row)
		}
		near(t, "angle", x*180/math.Pi, row.want, 5.1e-3)
	}
}

// Source: least-squares lines over the end fractions f of an arc of length L
// meet at (1 − f)·L/R; degrees computed outside the project for L = 300 mm.
func TestLinesOverTheEndsOfAnArc(t *testing.T) {
	for _, row := range []struct{ r, f, want, tol float64 }{
		{943, 1. / 4, 13.6708, 5e-5}, {943, 1. / 3, 12.1518, 5e-5}, {943, 1. / 2, 9.1139, 5e-5}, {943, 1. / 5, 14.5822, 5e-5},
		{722, 1. / 4, 17.86, 5e-3}, {722, 1. / 5, 19.05, 5e-3}, {722, 1. / 3, 15.87, 5e-3}, {722, 1. / 2, 11.90, 5e-3},
		{1120, 1. / 4, 11.51, 5e-3}, {1120, 1. / 3, 10.23, 5e-3},
		{1500, 1. / 4, 8.59, 5e-3}, {3000, 1. / 4, 4.30, 5e-3}, {3000, 1. / 2, 2.86, 5e-3},
	} {
		f := tube(1/row.r, 1000, 0)
		const n = 2000
		var proximal, distal []geom.PointMM
		for i := range n + 1 {
			u := float64(i) / n * row.f * 300
			p, _, _ := f.at(u)
			q, _, _ := f.at(300 - row.f*300 + u)
			proximal, distal = append(proximal, p), append(distal, q)
		}
		a, errA := FitLine(proximal, nil)
		b, errB := FitLine(distal, nil)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		near(t, "angle", math.Abs(SignedAngle(a.D, b.D).Degrees()), row.want, row.tol)
	}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.8g, want %.8g within %.2g", what, got, want, tol)
	}
}
