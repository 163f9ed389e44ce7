package measure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"shaftgauge/measure/geom"
)

// The answers follow the shaft when the film is turned, mirrored, moved or
// scaled, and when its sides trade names.
func TestMeasureFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(-1.0/600, 1.0/600).Draw(t, "curvature")
		turn := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "turn")
		mirror := rapid.SampledFrom([]float64{1, -1}).Draw(t, "mirror")
		shift := geom.PointMM{X: rapid.Float64Range(-500, 500).Draw(t, "x"), Y: rapid.Float64Range(-500, 500).Draw(t, "y")}
		swap := rapid.Bool().Draw(t, "swap")
		f := waisted(k)
		tip, _, n := f.at(0)
		tip = tip.Sub(n.Mul(22))
		measure := func(c Contours, tip geom.PointMM) Record {
			s, err := NewShaft(c, 1)
			if err != nil {
				t.Fatal(err)
			}
			if !s.SetOrigin(tip) {
				t.Fatal("no origin")
			}
			var r Record
			s.Measure(&r, scaled)
			return r
		}
		sin, cos := math.Sincos(turn)
		move := func(q geom.PointMM) geom.PointMM {
			q.X *= mirror
			return geom.PointMM{X: cos*q.X - sin*q.Y, Y: sin*q.X + cos*q.Y}.Add(shift)
		}
		edge := func(e Edge) (out Edge) {
			for _, q := range e.P {
				out.P = append(out.P, move(q))
			}
			return out
		}
		c := f.contours(1)
		moved := Contours{edge(c.OuterPos), edge(c.OuterNeg), edge(c.InnerPos), edge(c.InnerNeg)}
		if swap {
			moved = Contours{moved.OuterNeg, moved.OuterPos, moved.InnerNeg, moved.InnerPos}
		}
		a, b := measure(c, tip), measure(moved, move(tip))
		if len(a.Values) != len(b.Values) {
			t.Fatalf("%d values, then %d", len(a.Values), len(b.Values))
		}
		for q, v := range a.Values {
			want := v.X
			switch {
			case q == ShaftAxis:
				off := b.Values[q].X - (mirror*v.X + turn*180/math.Pi)
				if math.Abs(math.Remainder(off, 180)) > 1e-6 {
					t.Fatalf("axis off by %g", off)
				}
				continue
			case swap && (q == BowCurvature || q == BowAngle):
				want = -want
			case swap:
				for _, level := range Levels {
					for _, positive := range []bool{true, false} {
						if q == CortexAt(AP, positive, level) {
							want = a.Values[CortexAt(AP, !positive, level)].X
						}
					}
				}
			}
			tol := 1e-4
			if q == BowRadius {
				tol = 1e-4 * want
			}
			if q == BowApex && math.Abs(k) < 1e-4 {
				continue // a straight shaft has it anywhere
			}
			if got := b.Values[q].X; math.Abs(got-want) > tol {
				t.Fatalf("%s: %.9g, want %.9g", q, got, want)
			}
		}
	})
}

// A film of twice the scale doubles every length. The stretches over which
// levels are read, and the 20 mm from the shaft's top to the diaphysis, do not
// grow along, so the answers agree to what those leave.
func TestMeasureScales(t *testing.T) {
	f := waisted(1.0 / 900)
	c := f.contours(1)
	for _, e := range []*Edge{&c.OuterPos, &c.OuterNeg, &c.InnerPos, &c.InnerNeg} {
		for i := range e.P {
			e.P[i] = e.P[i].Mul(1.25)
		}
	}
	s, err := NewShaft(c, 1)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := NewShaft(f.contours(1), 1)
	if err != nil {
		t.Fatal(err)
	}
	var a, b Record
	opt := ShaftOptions{View: AP, HasScale: true}
	plain.Measure(&a, opt)
	s.Measure(&b, opt)
	for q, power := range map[Quantity]float64{
		VisibleTo: 1, BowCurvature: -1, BowRadius: 1, IsthmusLevel: 1, IsthmusCanalWidth: 1, IsthmusOuterWidth: 1,
		IsthmusCorticalIndex: 0,
	} {
		want := a.Values[q].X * math.Pow(1.25, power)
		near(t, string(q), b.Values[q].X, want, 0.01*math.Abs(want))
	}
}

// Read from distal to proximal, a shaft without an origin has the same bow. Its
// axis differs: the diaphysis begins 20 mm below what is taken for the top.
func TestMeasureReversed(t *testing.T) {
	f := waisted(1.0 / 900)
	f.s1 = 250 // no flare
	c := f.contours(1)
	reversed := c
	for _, e := range []*Edge{&reversed.OuterPos, &reversed.OuterNeg, &reversed.InnerPos, &reversed.InnerNeg} {
		p := make([]geom.PointMM, len(e.P))
		for i, q := range e.P {
			p[len(p)-1-i] = q
		}
		e.P = p
	}
	var records [2]Record
	for i, c := range []Contours{c, reversed} {
		s, err := NewShaft(c, 1)
		if err != nil {
			t.Fatal(err)
		}
		s.Measure(&records[i], ShaftOptions{View: AP, HasScale: true})
	}
	for _, q := range []Quantity{BowCurvature, BowSpan, IsthmusCanalWidth} {
		near(t, string(q), records[1].Values[q].X, records[0].Values[q].X, 0.02*math.Abs(records[0].Values[q].X))
	}
}
