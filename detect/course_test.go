package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// beaked is a film of a femur with a thickening 2 mm high and 14 mm long and a
// dark line 0.8 mm wide through 60 % of the cortex there.
func beaked(tilt float64) simulate.Film {
	s := simulate.Draw(rand.New(rand.NewPCG(2207, 3)), "thickening")
	s.Legs[0].Anatomy.Focal = []simulate.Focal{{Bump: simulate.Bump{Level: 130, Height: 2, Length: 14}, Outer: 1,
		LineWidth: 0.8, LineDepth: 0.6, LineAngle: tilt, LineBone: 0.9}}
	s.Marks, s.Folds = nil, nil
	return s.Render()
}

// lateralOf returns the lateral cortex of f by the truth, and its name.
func lateralOf(t *testing.T, f *Femur, truth *simulate.FemurTruth) (c Cortex, clockwise bool) {
	t.Helper()
	far := func(e Edge) float64 {
		sum := 0.0
		for _, p := range e.P {
			sum += off(p, truth.Contours["outer_lateral"])
		}
		return sum / float64(max(len(e.P), 1))
	}
	if far(f.CortexClockwise.Outer) < far(f.CortexCounter.Outer) {
		return f.CortexClockwise, true
	}
	return f.CortexCounter, false
}

// off is the distance in pixels of p from a polyline.
func off(p geom.PointPx, line []geom.PointPx) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, d := line[i-1], geom.PointPx{X: line[i].X - line[i-1].X, Y: line[i].Y - line[i-1].Y}
		u := clamp(((p.X-a.X)*d.X+(p.Y-a.Y)*d.Y)/(d.X*d.X+d.Y*d.Y), 0, 1)
		best = math.Min(best, math.Hypot(p.X-a.X-u*d.X, p.Y-a.Y-u*d.Y))
	}
	return best
}

// The finer trace follows a thickening: its edges lie on the true silhouettes, which are the
// tangent rays of the simulated surfaces.
func TestCortexFollowsThickening(t *testing.T) {
	film := beaked(0)
	f, truth := one(t, asShown(film)), &film.Truth.Femurs[0]
	c, _ := lateralOf(t, &f, truth)
	mm := film.Truth.Spacing.X
	for _, e := range []struct {
		name  string
		edge  Edge
		limit float64 // mm, median
	}{{"outer_lateral", c.Outer, 0.12}, {"inner_lateral", c.Inner, 0.25}} {
		var d []float64
		for _, p := range e.edge.P {
			d = append(d, off(p, truth.Contours[e.name])*mm)
		}
		if len(d) < 150 {
			t.Fatalf("%s: %d points", e.name, len(d))
		}
		if m := median(d); m > e.limit {
			t.Errorf("%s: median distance from the truth %.2f mm, want at most %.2f", e.name, m, e.limit)
		}
	}
}

// The line put in is the strongest found, of its depth and tilt; the other cortex
// has none.
func TestLucentLines(t *testing.T) {
	for _, tilt := range []float64{0, 12} {
		film := beaked(tilt)
		f, truth := one(t, asShown(film)), &film.Truth.Femurs[0]
		_, clockwise := lateralOf(t, &f, truth)
		scan, err := f.LucentLines(clockwise, 0)
		if err != nil {
			t.Fatal(err)
		}
		if len(scan.Lines) == 0 || scan.Lines[0].Contrast < LineContrast {
			t.Fatalf("tilt %.0f: not seen: %+v", tilt, scan.Lines)
		}
		l, want := scan.Lines[0], truth.Focal[0]
		if math.Abs(l.Depth-want.LineDepth) > 0.12 {
			t.Errorf("tilt %.0f: depth %.2f, want %.2f", tilt, l.Depth, want.LineDepth)
		}
		if math.Abs(l.Angle-want.LineAngleDeg) > 5 {
			t.Errorf("tilt %.0f: %.1f°, want %.1f°", tilt, l.Angle, want.LineAngleDeg)
		}
		if d := off(l.From, truth.Contours["outer_lateral"]) * film.Truth.Spacing.X; d > 0.5 {
			t.Errorf("tilt %.0f: begins %.2f mm from the outer surface", tilt, d)
		}
		told := 0
		for i, floor := range scan.Floor {
			switch {
			case floor > 0 && floor < 2:
				told++
			case !math.IsInf(floor, 1): // near the ends of the trace
				t.Errorf("floor %g at place %d", floor, i)
			}
		}
		if told < len(scan.Floor)*8/10 {
			t.Errorf("a floor at %d of %d places", told, len(scan.Floor))
		}
		if other, _ := f.LucentLines(!clockwise, 0); len(other.Lines) > 0 && other.Lines[0].Contrast > l.Contrast/2 {
			t.Errorf("tilt %.0f: a line on the other cortex: %+v", tilt, other.Lines[0])
		}
	}
}

// What lies under a stamped letter is not traced.
func TestCortexLeavesLettersOut(t *testing.T) {
	s := simulate.Draw(rand.New(rand.NewPCG(2207, 3)), "ap_full")
	s.Marks, s.Folds = nil, nil
	plain := s.Render()
	truth := plain.Truth.Femurs[0]
	line := truth.Contours["outer_lateral"]
	at := line[len(line)/2]
	// A stroke 2 mm wide across the cortex, as white as the film gets.
	top := uint16(1<<plain.Bits - 1)
	if plain.Monochrome1 {
		top = 0
	}
	half, reach := int(1/plain.Truth.Spacing.Y), int(8/plain.Truth.Spacing.X)
	for y := int(at.Y) - half; y <= int(at.Y)+half; y++ {
		for x := int(at.X) - reach; x <= int(at.X)+reach; x++ {
			plain.Pixels[y*plain.Cols+x] = top
		}
	}
	f := one(t, asShown(plain))
	c, _ := lateralOf(t, &f, &truth)
	for _, p := range append(c.Outer.P, c.Inner.P...) {
		if math.Abs(p.Y-at.Y) <= float64(half) && math.Abs(p.X-at.X) <= float64(reach) {
			t.Errorf("an edge at %v, under the stroke at %v", p, at)
		}
	}
}
