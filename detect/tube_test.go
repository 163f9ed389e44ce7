package detect

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"
)

// tube is one level of a shaft with exact chords, for the fit's trial.
type tube struct {
	a, b            float64 // half axes of the outer ellipse across and along the beam, mm
	lat, med        float64 // cortex on both sides
	soft            float64 // width of the soft inner edge, mm
	mu, muSpongy    float64 // contrast of cortex and of canal against soft tissue, per mm
	blur            Blur
	look            func(p float64) float64
	noise           float64
	tissue, tissue2 float64
}

// profile samples the tube from x0 (outer edge at 0) every h mm.
func (tb tube) profile(rng *rand.Rand, x0, h float64, n int) []float64 {
	const fine = 0.02
	pad := 12.0
	m := int((float64(n)*h + 2*pad) / fine)
	p := make([]float64, m)
	for i := range p {
		x := x0 - pad + float64(i)*fine
		p[i] = 1.5 + tb.tissue*x/10 + tb.tissue2*x*x/400
		chord := func(l, r, depth float64) float64 {
			if x <= l || x >= r {
				return 0
			}
			a := (r - l) / 2
			q := (x - (l+r)/2) / a
			return 2 * depth * math.Sqrt(1-q*q)
		}
		o := chord(0, 2*tb.a, tb.b)
		in := 0.0
		shells := 9
		for s := range shells {
			d := (float64(s)/float64(shells-1) - 0.5) * tb.soft
			l, r := tb.lat+d, 2*tb.a-tb.med-d
			in += chord(l, r, tb.b*(r-l)/(2*tb.a)) / float64(shells)
		}
		p[i] += tb.mu*(o-in) + tb.muSpongy*in
		p[i] = tb.look(p[i])
	}
	g := gauss(p, tb.blur.SigmaMM/fine)
	if tb.blur.Amount > 0 {
		wide := gauss(g, tb.blur.RadiusMM/fine)
		for i := range g {
			g[i] += tb.blur.Amount * (g[i] - wide[i])
		}
	}
	y := make([]float64, n)
	for i := range y {
		y[i] = g[int((float64(i)*h+pad)/fine)] + tb.noise*rng.NormFloat64()
	}
	return y
}

func gauss(p []float64, s float64) []float64 {
	r := int(4*s) + 1
	k := make([]float64, 2*r+1)
	sum := 0.0
	for i := range k {
		d := float64(i-r) / s
		k[i] = math.Exp(-d * d / 2)
		sum += k[i]
	}
	out := make([]float64, len(p))
	for i := range p {
		for j, kv := range k {
			out[i] += kv / sum * p[min(max(i+j-r, 0), len(p)-1)]
		}
	}
	return out
}

// The chords of a tube of elliptical section are a closed form, so its edges
// are known exactly. Through a sigmoid look-up, blur, edge enhancement, noise
// and a soft inner edge, the fit must stay on them. The limits are those asked
// of cortical thickness on films (bias 0.10 mm, 95th percentile 0.7 mm) with
// room for what a single level cannot show: the film's own blur is given here.
func TestTubeFitStaysOnTheEdges(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, amount := range []float64{0, 0.8} {
		for _, soft := range []float64{0, 1, 2} {
			var outer, thickness []float64
			for range 150 {
				tb := randomTube(rng, amount, soft)
				inner := tb.blur
				inner.SigmaMM = math.Hypot(inner.SigmaMM, soft/math.Sqrt(12))
				m := tubeModel{outer: newEdgeTable(tb.blur), inner: newEdgeTable(inner)}
				const h = 0.15
				half := (2*tb.a - tb.lat - tb.med) / 2
				y := tb.profile(rng, -6, h, int((6+tb.lat+math.Min(half, 6))/h))
				f, ok := m.fit(y, -6, h, 0.4*rng.NormFloat64(), tb.lat+0.6*rng.NormFloat64(), tb.a, half)
				if !ok {
					t.Errorf("amount %v, soft %v: no fit", amount, soft)
					continue
				}
				outer = append(outer, f.Outer)
				thickness = append(thickness, f.Thickness-tb.lat)
			}
			for _, c := range []struct {
				name      string
				e         []float64
				bias, p95 float64
			}{{"outer edge", outer, 0.03, 0.10}, {"thickness", thickness, 0.05 + 0.05*soft, 0.15 + 0.1*soft}} {
				bias, p95 := biasAndP95(c.e)
				if math.Abs(bias) > c.bias || p95 > c.p95 {
					t.Errorf("amount %v, soft %v: %s bias %+.3f mm (limit %.2f), 95th percentile %.3f mm (limit %.2f)", amount, soft, c.name, bias, c.bias, p95, c.p95)
				}
			}
		}
	}
}

// The rules of thumb that the fit replaces err by far more on the same tubes:
// the steepest fall inside the bright band lies in the canal, its brightest
// place in the cortex.
func TestSteepestAndBrightestErr(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var steep, bright []float64
	for range 150 {
		tb := randomTube(rng, 0, 1)
		const h = 0.05
		y := tb.profile(rng, -2, h, int((2+tb.lat+3)/h))
		top, fall, at := 0, 0.0, 0
		for i := int(2.5 / h); i+4 < len(y); i++ {
			if y[i] > y[top] {
				top = i
			}
			if f := y[i-4] - y[i+4]; f > fall {
				fall, at = f, i
			}
		}
		steep = append(steep, -2+float64(at)*h-tb.lat)
		bright = append(bright, -2+float64(top)*h-tb.lat)
	}
	if bias, _ := biasAndP95(steep); bias < 0.1 {
		t.Errorf("steepest fall: bias %+.3f mm, expected into the canal", bias)
	}
	if bias, _ := biasAndP95(bright); bias > -0.1 {
		t.Errorf("brightest place: bias %+.3f mm, expected into the cortex", bias)
	}
}

// randomTube draws a shaft's section over adult ranges and beyond.
func randomTube(rng *rand.Rand, amount, soft float64) tube {
	tb := tube{a: 12 + 5*rng.Float64(), lat: 3 + 6*rng.Float64(), med: 3 + 6*rng.Float64(),
		soft: soft, mu: 0.03, muSpongy: 0.006, noise: 0.002,
		blur:   Blur{SigmaMM: 0.2 + 0.15*rng.Float64(), RadiusMM: 0.5 + 2*rng.Float64(), Amount: amount},
		tissue: 0.1 * rng.NormFloat64(), tissue2: -0.1 * rng.Float64()}
	tb.b = tb.a * (0.85 + 0.3*rng.Float64())
	gain := 0.6 + 1.5*rng.Float64()
	tb.look = func(p float64) float64 { return 1 / (1 + math.Exp(-gain*(p-2))) }
	return tb
}

// biasAndP95 returns the mean and the 95th percentile of the absolute values.
func biasAndP95(e []float64) (bias, p95 float64) {
	abs := make([]float64, len(e))
	for i, v := range e {
		bias += v / float64(len(e))
		abs[i] = math.Abs(v)
	}
	sort.Float64s(abs)
	return bias, abs[len(abs)*95/100]
}

func BenchmarkTubeFit(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	tb := tube{a: 14, b: 14, lat: 6, med: 6, mu: 0.03, muSpongy: 0.006, noise: 0.003, blur: Blur{SigmaMM: 0.2}, look: func(p float64) float64 { return p }}
	y := tb.profile(rng, -6, 0.2, 85)
	m := tubeModel{outer: newEdgeTable(tb.blur), inner: newEdgeTable(tb.blur)}
	for b.Loop() {
		m.fit(y, -6, 0.2, 0.3, 5.5, 14, 8)
	}
}
