package measure

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"shaftgauge/measure/geom"
)

// noisy is an error model of the size expected of a film: white noise of
// 0.15 mm a point (in the edges' sigmas), drift, a common bias and a blunt
// lesser trochanter.
var noisy = ErrorModel{
	Outer:       EdgeError{White: 1, Drift: 0.08, Length: 15, Bias: 0.05},
	Inner:       EdgeError{White: 1, Drift: 0.15, Length: 10, Bias: 0.08},
	EndSigma:    [2]float64{1, 1},
	OriginSigma: 1,
}

// disturb adds errors drawn from the model, square to the shaft, to the
// phantom's edges: white noise, and a first-order autoregression for the drift.
func disturb(f phantom, m ErrorModel, sigma float64, noise *rand.Rand) Contours {
	c := f.contours(1)
	fade := [2]float64{math.Exp(-1 / m.Outer.Length), math.Exp(-1 / m.Inner.Length)}
	bias := [2]float64{m.Outer.Bias * noise.NormFloat64(), m.Inner.Bias * noise.NormFloat64()}
	for e, edge := range []*Edge{&c.OuterPos, &c.OuterNeg, &c.InnerPos, &c.InnerNeg} {
		model, kind := m.Outer, e/2
		if kind == 1 {
			model = m.Inner
		}
		out := 1.0
		if e%2 == 1 {
			out = -1
		}
		drift := noise.NormFloat64()
		edge.Sigma = make([]float64, len(edge.P))
		for i := range edge.P {
			_, _, n := f.at(f.s0 + float64(i))
			err := bias[kind] + model.Drift*drift + sigma*model.White*noise.NormFloat64()
			edge.P[i] = edge.P[i].Add(n.Mul(out * err))
			edge.Sigma[i] = sigma
			drift = fade[kind]*drift + math.Sqrt(1-fade[kind]*fade[kind])*noise.NormFloat64()
		}
	}
	return c
}

// Of many disturbed copies of a shaft, the share whose expanded uncertainty
// covers the undisturbed answer is what it says. Source: definition of
// coverage, JCGM 100:2008, 6.2.
func TestCoverage(t *testing.T) {
	const runs = 300
	noise := rand.New(rand.NewPCG(2026, 11))
	for _, curvature := range []float64{1.0 / 900, 0} {
		f := waisted(curvature)
		var truth Record
		exact := shaftOf(t, f)
		exact.Measure(&truth, scaled)
		opt := scaled
		opt.Errors = noisy
		covered, seen := map[Quantity]int{}, map[Quantity]int{}
		width, miss := map[Quantity]float64{}, map[Quantity]float64{}
		for range runs {
			s, err := NewShaft(disturb(f, noisy, 0.15, noise), 1)
			if err != nil {
				t.Fatal(err)
			}
			if !s.SetOrigin(tipOf(f, noise)) {
				t.Fatal("no origin")
			}
			var r Record
			s.Measure(&r, opt)
			for q, v := range r.Values {
				want, ok := truth.Values[q]
				if !ok {
					continue
				}
				seen[q]++
				off := v.X - want.X
				if math.Abs(off) <= v.U95+1e-9 {
					covered[q]++
				}
				width[q] += v.U95 / runs
				miss[q] += off * off / runs
			}
		}
		var names []string
		for q := range truth.Values {
			names = append(names, string(q))
		}
		sort.Strings(names)
		for _, name := range names {
			q := Quantity(name)
			share := float64(covered[q]) / float64(seen[q])
			t.Logf("curvature %.4f %-24s n %3d covered %.3f mean u95 %.4f twice rms %.4f", curvature, q, seen[q], share, width[q], 2*math.Sqrt(miss[q]))
			if seen[q] < runs*9/10 && !(curvature == 0 && (q == BowApex || q == BowRadius)) {
				t.Errorf("%s measured in %d of %d", q, seen[q], runs)
			}
			if seen[q] >= runs*9/10 && share < 0.90 {
				t.Errorf("%s: covered %.3f", q, share)
			}
		}
	}
}

// The same of a short stretch of shaft without a landmark, as a film of the
// middle of the thigh shows it.
func TestCoverageOfAShortShaft(t *testing.T) {
	const runs = 500
	noise := rand.New(rand.NewPCG(2026, 12))
	f := waisted(1.0 / 900)
	f.s0, f.s1 = 60, 115
	opt := ShaftOptions{View: AP, HasScale: true}
	exact, err := NewShaft(f.contours(1), 1)
	if err != nil {
		t.Fatal(err)
	}
	var truth Record
	exact.Measure(&truth, opt)
	opt.Errors = noisy
	covered := map[Quantity]int{}
	for range runs {
		s, err := NewShaft(disturb(f, noisy, 0.15, noise), 1)
		if err != nil {
			t.Fatal(err)
		}
		var r Record
		s.Measure(&r, opt)
		for _, q := range []Quantity{BowCurvature, ShaftAxis} {
			v, ok := r.Values[q]
			if ok && math.Abs(v.X-truth.Values[q].X) <= v.U95 {
				covered[q]++
			}
		}
	}
	for _, q := range []Quantity{BowCurvature, ShaftAxis} {
		near(t, string(q), float64(covered[q])/runs, 0.95, 0.03)
	}
}

// The one-pass quadratic form against the double sum it stands for.
func TestVarianceIsTheDoubleSum(t *testing.T) {
	f := waisted(0)
	s, err := NewShaft(disturb(f, noisy, 0.15, rand.New(rand.NewPCG(1, 1))), 1)
	if err != nil {
		t.Fatal(err)
	}
	noise := rand.New(rand.NewPCG(9, 9))
	g := s.newGradient()
	for e := range g {
		for i := range g[e] {
			if i%7 != 0 {
				g[e][i] = noise.NormFloat64()
			}
		}
	}
	want := 0.0
	var common [2]float64
	for e, sigma := range s.sigmas() {
		model := noisy.Outer
		if e >= 2 {
			model = noisy.Inner
		}
		for i := range g[e] {
			common[e/2] += g[e][i]
			for j := range g[e] {
				c := square(model.Drift) * math.Exp(-math.Abs(s.S[i]-s.S[j])/model.Length)
				if i == j && g[e][i] != 0 {
					c += square(model.White * (*sigma)[i])
				}
				want += g[e][i] * c * g[e][j]
			}
		}
	}
	want += square(common[0]*noisy.Outer.Bias) + square(common[1]*noisy.Inner.Bias)
	near(t, "variance", s.variance(g, noisy), want, 1e-9*want)
}

// A shift of both sides outwards leaves the mid-line where it is.
func TestBiasCancelsInTheMidline(t *testing.T) {
	var r Record
	opt := scaled
	opt.Errors.Outer.Bias = 0.3
	s := shaftOf(t, waisted(1.0/900))
	s.Measure(&r, opt)
	near(t, "curvature u95", r.Values[BowCurvature].U95, 0, 1e-6)
	near(t, "width u95", r.Values[OuterWidthAt(50)].U95, 2*2*0.3, 1e-6)
	near(t, "cortex u95", r.Values[CortexAt(AP, true, 50)].U95, 2*0.3, 1e-6)
}

// The scale's uncertainty comes in only when it is given, and then once per
// power of length. Source: JCGM 100:2008, 5.1.6.
func TestScaleUncertainty(t *testing.T) {
	var r Record
	opt := scaled
	opt.Errors.ScaleSigma = 0.01
	f := tube(1.0/900, 290, 0.4)
	shaftOf(t, f).Measure(&r, opt)
	for q, power := range map[Quantity]float64{BowCurvature: 1, BowRadius: 1, BowSagitta: 1, OuterWidthAt(100): 1, CorticalIndexAt(100): 0, BowAngle: 0} {
		near(t, string(q), r.Values[q].U95, 2*0.01*power*math.Abs(r.Values[q].X), 1e-3*math.Abs(r.Values[q].X))
	}
}

// The growth of a real femur's width hovers about the flare's condition for
// centimetres, so that noise moves the first level that meets it far: the
// uncertainties of what hangs on that end cover it. Source: definition of
// coverage, JCGM 100:2008, 6.2.
func TestCoverageOfASlowFlare(t *testing.T) {
	const runs = 200
	noise := rand.New(rand.NewPCG(2026, 13))
	f := waisted(1.0 / 900)
	outer := func(s geom.MM) geom.MM {
		x := max(0, s-230)
		return 14.5 + (0.13*x+4e-4*x*x+0.06*(1-math.Cos(2*math.Pi*x/30)))/2
	}
	f.distance[0], f.distance[1] = outer, outer
	var truth Record
	shaftOf(t, f).Measure(&truth, scaled)
	opt := scaled
	opt.Errors = noisy
	quantities := []Quantity{VisibleTo, BowAngle, BowCurvature, BowSagitta}
	covered := map[Quantity]int{}
	for range runs {
		s, err := NewShaft(disturb(f, noisy, 0.15, noise), 1)
		if err != nil || !s.SetOrigin(tipOf(f, noise)) {
			t.Fatal("no shaft: ", err)
		}
		var r Record
		s.Measure(&r, opt)
		for _, q := range quantities {
			if v, ok := r.Values[q]; ok && math.Abs(v.X-truth.Values[q].X) <= v.U95 {
				covered[q]++
			}
		}
	}
	for _, q := range quantities {
		if share := float64(covered[q]) / runs; share < 0.90 {
			t.Errorf("%s: covered %.3f", q, share)
		}
	}
}

// tipOf is the tip of the phantom's lesser trochanter, found to noisy.OriginSigma.
func tipOf(f phantom, noise *rand.Rand) geom.PointMM {
	p, tangent, n := f.at(0)
	return p.Sub(n.Mul(22)).Add(tangent.Mul(noisy.OriginSigma * noise.NormFloat64()))
}

// Whatever of a shaft's top was lost, the diaphysis begins 20 mm below the lesser
// trochanter at the highest (the contract's definition): edges from level 23 on
// leave 3 mm open, and a level.
func TestLateStartIsBoundedByDefinition(t *testing.T) {
	f := waisted(1. / 1200)
	f.s0 = 23
	s, err := NewShaft(f.contours(1), 1)
	if err != nil {
		t.Fatal(err)
	}
	lt, _, _ := f.at(0)
	if !s.SetOrigin(lt) {
		t.Fatal("origin not reached")
	}
	var r Record
	s.Measure(&r, ShaftOptions{View: AP, HasScale: true, HasOrigin: true, Errors: ErrorModel{EndSigma: [2]geom.MM{24, 1}}})
	from := r.Values[VisibleFrom]
	if gap := from.X - 20; gap < 2 || gap > 5 || from.U95 < gap || from.U95 > Coverage*(gap+1) {
		t.Errorf("visible from %.2f ± %.2f mm", from.X, from.U95)
	}
}
