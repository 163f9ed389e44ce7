package measure

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// Source: closed forms computed outside the project, four printed decimals
// (sagitta over a 300 and a 200 mm chord, angle between the end tangents over
// 300 mm) for radii published for the sagittal bow of femora.
func TestSagittaAndArcAngle(t *testing.T) {
	for _, row := range []struct{ r, s300, s200, angle float64 }{
		{722, 15.7536, 6.9587, 23.982},
		{943, 12.0064, 5.3172, 18.305},
		{1120, 10.0901, 4.4732, 15.393},
		{1200, 9.4119, 4.1739, 14.362},
		{1450, 7.7795, 3.4524, 11.876},
		{2000, 5.6329, 2.5016, 8.602},
	} {
		near(t, "sagitta over 300", Sagitta(row.r, 300), row.s300, 5e-5)
		near(t, "sagitta over 200", Sagitta(row.r, 200), row.s200, 5e-5)
		near(t, "angle over 300", ArcAngle(row.r, 300).Degrees(), row.angle, 5e-4)
	}
}

// Source: as above, one printed decimal.
func TestSagittaRadius(t *testing.T) {
	for _, row := range []struct{ chord, sagitta, r float64 }{
		{300, 10, 1130.0}, {300, 12, 943.5}, {200, 5, 1002.5},
	} {
		near(t, "radius", SagittaRadius(row.chord, row.sagitta), row.r, 0.05)
	}
	// An arc of 300 mm with a radius of 943 mm: chord 298.736, sagitta 11.905 (as
	// above, three decimals).
	near(t, "sagitta of an arc", Sagitta(943, 298.736), 11.905, 5e-4)
	near(t, "length of an arc", 943*float64(ArcAngle(943, 298.736)), 300, 5e-4)
	// Definition: each is the other's inverse.
	near(t, "round trip", SagittaRadius(300, Sagitta(722, 300)), 722, 1e-9)
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
