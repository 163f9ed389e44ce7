package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"shaftgauge/measure/geom"
)

// swollen returns f with bumps on its lateral (positive) cortex, outside by out
// and inside by in, and on its medial outer edge.
func swollen(f phantom, out, in, medial func(s geom.MM) geom.MM) phantom {
	d := f.distance
	f.distance[0] = func(s geom.MM) geom.MM { return d[0](s) + out(s) }
	f.distance[2] = func(s geom.MM) geom.MM { return d[2](s) - in(s) }
	f.distance[1] = func(s geom.MM) geom.MM { return d[1](s) + medial(s) }
	return f
}

// focalOf searches a phantom whose edges have independent errors of standard
// deviation sd mm.
func focalOf(t *testing.T, f phantom, sd float64, seed uint64) (found []Focal, assessed bool) {
	t.Helper()
	return focalWith(t, f, sd, seed, nil)
}

// focalWith is focalOf with a sign of probability p(s) at every level s, where
// there is p, and dark lines at some.
func focalWith(t *testing.T, f phantom, sd float64, seed uint64, probability func(s geom.MM) float64, lines ...geom.MM) (found []Focal, assessed bool) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 17))
	c := f.contours(1)
	for e, edge := range []Edge{c.OuterPos, c.OuterNeg, c.InnerPos, c.InnerNeg} {
		sign := [4]float64{1, -1, 1, -1}[e]
		for i := range edge.P {
			_, _, n := f.at(f.s0 + float64(i))
			edge.P[i] = edge.P[i].Add(n.Mul(sign * sd * rng.NormFloat64()))
		}
	}
	s, err := NewShaft(c, 1)
	if err != nil {
		t.Fatal(err)
	}
	p, _, _ := f.at(0)
	if !s.SetOrigin(p) {
		t.Fatal("no origin")
	}
	o := FocalOptions{HasOrigin: true}
	if probability != nil {
		for i, q := range c.OuterPos.P {
			sign := FocalSign{At: q, Focal: probability(f.s0 + float64(i)), Seen: 1}
			if slices.Contains(lines, f.s0+float64(i)) {
				sign.Line = 0.95
			}
			o.Signs = append(o.Signs, sign)
		}
	}
	return s.FindFocal(CortexEdges{c.OuterPos, c.InnerPos}, CortexEdges{c.OuterNeg, c.InnerNeg}, o)
}

func none(geom.MM) geom.MM { return 0 }

// bell is a Gaussian of peak h at level at and full width w at half height.
func bell(at, h, w geom.MM) func(geom.MM) geom.MM {
	return func(s geom.MM) geom.MM { return h * math.Exp(-4*math.Ln2*square(s-at)/square(w)) }
}

// cosine is a raised cosine h(1 + cos(2πu/p))/2 over one period p: its full width
// at half height is p/2, since cos is 0 a quarter of a period from the peak.
func cosine(at, h, p geom.MM) func(geom.MM) geom.MM {
	return func(s geom.MM) geom.MM {
		if u := s - at; math.Abs(u) < p/2 {
			return h * (1 + math.Cos(2*math.Pi*u/p)) / 2
		}
		return 0
	}
}

func times(k float64, f func(geom.MM) geom.MM) func(geom.MM) geom.MM {
	return func(s geom.MM) geom.MM { return k * f(s) }
}

// Closed forms: the height and place of each bump are put in, the full widths at
// half height are those of a Gaussian and of a raised cosine.
func TestFindFocalClosedForm(t *testing.T) {
	tests := []struct {
		name          string
		out, in       func(geom.MM) geom.MM
		level, height geom.MM
		length, share float64
		surface       string
	}{
		{"outer bell", bell(120, 1.5, 20), none, 120, 1.5, 20, 1, Periosteal},
		{"inner bell", none, bell(90, 2, 14), 90, 2, 14, 0, Endosteal},
		{"both faces", times(0.6, bell(180, 2.5, 25)), times(0.4, bell(180, 2.5, 25)), 180, 2.5, 25, 0.6, BothFaces},
		{"raised cosine", cosine(150, 1.2, 48), none, 150, 1.2, 24, 1, Periosteal},
		{"short and low", bell(70, 0.8, 9), none, 70, 0.8, 9, 1, Periosteal},
	}
	for _, bow := range []float64{0, 1.0 / 1000} {
		for _, tt := range tests {
			t.Run(fmt.Sprintf("%s, curvature %g", tt.name, bow), func(t *testing.T) {
				found, assessed := focalOf(t, swollen(waisted(bow), tt.out, tt.in, none), 0.02, 1)
				if !assessed || len(found) != 1 {
					t.Fatalf("%d found, assessed %v: %+v", len(found), assessed, found)
				}
				f := found[0]
				if d := math.Abs(f.Level.X - tt.level); d > 1 {
					t.Errorf("level %.1f, want %.1f", f.Level.X, tt.level)
				}
				if d := math.Abs(f.Height.X - tt.height); d > 0.12*tt.height {
					t.Errorf("height %.2f, want %.2f", f.Height.X, tt.height)
				}
				if r := f.Length.X / tt.length; r < 0.85 || r > 1.15 {
					t.Errorf("length %.1f, want %.1f", f.Length.X, tt.length)
				}
				if d := math.Abs(f.OuterShare.X - tt.share); d > 0.1 || f.Surface != tt.surface {
					t.Errorf("outer share %.2f, %s, want %.2f, %s", f.OuterShare.X, f.Surface, tt.share, tt.surface)
				}
			})
		}
	}
}

func TestFindFocalIsNotFooled(t *testing.T) {
	slow := func(s geom.MM) geom.MM { return 2 * math.Exp(-square(s-150)/square(90)) }
	tests := []struct {
		name            string
		out, in, medial func(geom.MM) geom.MM
	}{
		{"nothing", none, none, none},
		{"slow thickening", none, slow, none},
		{"callus all round", bell(140, 2, 20), none, bell(140, 2, 20)},
		{"bend of the whole cortex", bell(140, 1.5, 20), times(-1, bell(140, 1.5, 20)), none},
		{"flank of what lies above", none, bell(19, 1.5, 16), none},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for seed := range uint64(4) {
				found, assessed := focalOf(t, swollen(waisted(1./900), tt.out, tt.in, tt.medial), 0.08, seed)
				if !assessed || len(found) > 0 {
					t.Errorf("seed %d: assessed %v, found %+v", seed, assessed, found)
				}
			}
		})
	}
}

// A bump that the edges alone leave in doubt is found where a second reading sees
// a thickening too, and nowhere else.
func TestFindFocalSigns(t *testing.T) {
	f := swollen(waisted(0), bell(120, 0.8, 20), none, none)
	const sd, seed = 0.55, 4
	if found, _ := focalOf(t, f, sd, seed); len(found) > 0 {
		t.Fatalf("found without a sign: %+v", found)
	}
	at := func(level float64) func(geom.MM) float64 {
		return func(s geom.MM) float64 { return 0.01 + 0.98*math.Exp(-math.Pow((s-level)/12, 6)) }
	}
	if found, assessed := focalWith(t, f, sd, seed, at(120)); !assessed || len(found) != 1 || math.Abs(found[0].Level.X-120) > 3 {
		t.Errorf("sign at 120 mm: assessed %v, found %+v", assessed, found)
	}
	if found, assessed := focalWith(t, f, sd, seed, at(1000)); !assessed || len(found) > 0 {
		t.Errorf("no sign: assessed %v, found %+v", assessed, found)
	}
	const less = 0.4 // mm, of errors with which both in doubt leave it so
	doubt := func(geom.MM) float64 { return 0.3 }
	if found, _ := focalWith(t, f, less, seed, doubt); len(found) > 0 {
		t.Errorf("a doubtful sign: found %+v", found)
	}
	if found, _ := focalWith(t, f, less, seed, doubt, 119); len(found) != 1 || math.Abs(found[0].Level.X-120) > 5 {
		t.Errorf("a doubtful sign and a dark line: found %+v", found)
	}
	if found, _ := focalWith(t, f, less, seed, doubt, 190); len(found) > 0 {
		t.Errorf("a doubtful sign and a dark line elsewhere: found %+v", found)
	}
}

// Where a dark line crosses a thickening, its level is told better than by edges that
// are known badly. Closed form: the level is put in.
func TestFindFocalLevelByLine(t *testing.T) {
	f := swollen(waisted(0), bell(120, 1, 24), none, none)
	sign := func(s geom.MM) float64 { return 0.01 + 0.9*math.Exp(-math.Pow((s-120)/14, 6)) }
	const shafts, sd = 10, 0.5
	var alone, lined, n, worst float64
	for seed := range uint64(shafts) {
		a, _ := focalWith(t, f, sd, seed, sign)
		l, _ := focalWith(t, f, sd, seed, sign, 120)
		if len(a) == 0 || len(l) == 0 {
			continue
		}
		e := math.Abs(l[0].Level.X - 120)
		alone, lined, n, worst = alone+math.Abs(a[0].Level.X-120), lined+e, n+1, math.Max(worst, e)
	}
	if n < shafts/2 || worst > 3 || lined > 0.7*alone {
		t.Errorf("%g of %d found: with a line %.2f mm off at the mean, %.2f at most; without %.2f", n, shafts, lined/n, worst, alone/n)
	}
}

// What stands out uncommonly far is an edge gone astray, unless a second reading is
// sure of it; what is longer than a focal thickening is the cortex's own course even
// then. Closed forms: the heights and lengths are put in.
func TestFindFocalBeyondTheCommon(t *testing.T) {
	tests := []struct {
		name           string
		height, length geom.MM
		sign           float64
		found          bool
	}{
		{"high, sure", 6, 25, 0.97, true},
		{"high, unsure", 6, 25, 0.5, false},
		{"too high", 10, 25, 0.97, false},
		{"long, sure", 2, 56, 0.97, false},
	}
	for _, tt := range tests {
		sign := func(s geom.MM) float64 { return tt.sign * math.Exp(-math.Pow(2*(s-140)/tt.length, 6)) }
		found, assessed := focalWith(t, swollen(waisted(0), bell(140, tt.height, tt.length), none, none), 0.02, 1, sign)
		switch {
		case !tt.found:
			if len(found) > 0 {
				t.Errorf("%s: found %+v", tt.name, found)
			}
		case !assessed || len(found) != 1 || math.Abs(found[0].Height.X-tt.height) > 0.12*tt.height:
			t.Errorf("%s: assessed %v, found %+v", tt.name, assessed, found)
		}
	}
}

// A cortex that is thicker on the medial side at the same level hides what stands out
// of the lateral one only where a second reading leaves doubt.
func TestFindFocalBesideThickMedial(t *testing.T) {
	bump := bell(140, 1.5, 20)
	for name, f := range map[string]phantom{"outer": swollen(waisted(0), bump, none, none), "inner": swollen(waisted(0), none, bump, none)} {
		inner := f.distance[3]
		f.distance[3] = func(s geom.MM) geom.MM { return inner(s) - bell(140, 1.2, 20)(s) }
		for _, tt := range []struct {
			sign float64
			want int
		}{{0.97, 1}, {0.6, 0}} {
			sign := func(s geom.MM) float64 { return tt.sign * math.Exp(-math.Pow((s-140)/12, 6)) }
			if found, _ := focalWith(t, f, 0.02, 1, sign); len(found) != tt.want {
				t.Errorf("%s surface, sign %g: found %+v, want %d", name, tt.sign, found, tt.want)
			}
		}
	}
}

// An outer edge whose inner one is not seen carries a thickening that a second
// reading sees, and cannot be called free of any.
func TestFindFocalOuterAlone(t *testing.T) {
	f := swollen(waisted(0), bell(140, 1.5, 20), none, none)
	f.distance[2] = func(geom.MM) geom.MM { return math.NaN() }
	for _, tt := range []struct {
		sign float64
		want int
	}{{0.95, 1}, {0.3, 0}} {
		sign := func(s geom.MM) float64 { return tt.sign * math.Exp(-math.Pow((s-140)/12, 6)) }
		found, assessed := focalWith(t, f, 0.02, 1, sign)
		if len(found) != tt.want || assessed != (tt.want > 0) {
			t.Errorf("sign %g: assessed %v, found %+v, want %d", tt.sign, assessed, found, tt.want)
		}
	}
}

// Two thickenings are two findings, proximal first.
func TestFindFocalTwo(t *testing.T) {
	a, b := bell(80, 1.5, 15), bell(190, 2.5, 20)
	found, _ := focalOf(t, swollen(waisted(0), func(s geom.MM) geom.MM { return a(s) + b(s) }, none, none), 0.05, 3)
	if len(found) != 2 || math.Abs(found[0].Level.X-80) > 2 || math.Abs(found[1].Level.X-190) > 2 {
		t.Fatalf("found %+v, want one at 80 and one at 190 mm", found)
	}
}

// A cortex so irregular that 1.2 mm could hide in it is not assessed, nor is a
// short one.
func TestFindFocalAbstains(t *testing.T) {
	rough := func(s geom.MM) geom.MM { return 1.2 * (math.Sin(s/5) + math.Sin(s/7.3) + math.Sin(s/11)) }
	if found, assessed := focalOf(t, swollen(waisted(0), none, rough, none), 0.05, 1); assessed && len(found) == 0 {
		t.Error("rough cortex called free of thickenings")
	}
	short := waisted(0)
	short.s1 = 70
	if found, assessed := focalOf(t, short, 0.05, 1); assessed || len(found) > 0 {
		t.Errorf("50 mm of diaphysis: assessed %v, found %+v", assessed, found)
	}
}

// Noise alone, irregular along the shaft as inner surfaces are, seldom passes for
// a thickening: fewer than 3 % of shafts, the limit this project has set itself.
func TestFindFocalFalseAlarms(t *testing.T) {
	if testing.Short() {
		t.Skip("many shafts")
	}
	const shafts = 60
	alarms := 0
	for seed := range uint64(shafts) {
		rng := rand.New(rand.NewPCG(seed, 5))
		var k, p [4]float64
		for i := range k {
			k[i], p[i] = 2*math.Pi/(14*math.Pow(90.0/14, rng.Float64())), 2*math.Pi*rng.Float64()
		}
		sd := 0.02 + 0.26*rng.Float64()
		rough := func(s geom.MM) (sum geom.MM) {
			for i := range k {
				sum += sd / math.Sqrt2 * math.Sin(k[i]*s+p[i])
			}
			return sum
		}
		if found, _ := focalOf(t, swollen(waisted(1./1500), times(0.25, rough), rough, none), 0.08, seed); len(found) > 0 {
			alarms++
		}
	}
	if alarms > shafts*3/100+1 {
		t.Errorf("%d of %d shafts without one got one", alarms, shafts)
	}
}

// The other side of the body is the mirror image: the findings are the same.
func TestFindFocalMirrored(t *testing.T) {
	right := swollen(waisted(1./1200), bell(110, 1.4, 18), none, none)
	left := right
	left.sense = -1
	a, _ := focalOf(t, right, 0, 1)
	b, _ := focalOf(t, left, 0, 1)
	near := func(x, y Focal) bool {
		return math.Abs(x.Level.X-y.Level.X) < 0.1 && math.Abs(x.Height.X-y.Height.X) < 0.02
	}
	if len(a) != 1 || !slices.EqualFunc(a, b, near) {
		t.Errorf("right %+v, left %+v", a, b)
	}
}
