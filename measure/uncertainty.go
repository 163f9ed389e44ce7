package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// Coverage is the factor from a standard to an expanded uncertainty with a
// coverage of about 95 %.
//
// Source: JCGM 100:2008, 6.3.3.
const Coverage = 2

// EdgeError models the error of one kind of edge (outer or inner) along a
// shaft. The zero value is an exact edge.
type EdgeError struct {
	White  float64 // factor on each point's own sigma, independent from level to level; 0: those sigmas count nothing
	Drift  geom.MM // standard deviation of a slowly varying error, independent between the two sides
	Length geom.MM // over which the drift's correlation falls to 1/e; 0: independent from level to level
	Bias   geom.MM // standard uncertainty common to both sides and all levels, outwards; cancels in the mid-line
}

// ErrorModel is what the standard uncertainty of a detected shaft is made
// of, as standard deviations. The zero value is an exact shaft.
type ErrorModel struct {
	Outer, Inner EdgeError
	EndSigma     [2]geom.MM // of the places where a shaft that is cut off ends, proximal and distal
	OriginSigma  geom.MM    // of this film's level origin along the shaft
	ScaleSigma   float64    // relative, of this film's pixel_mm; 0 keeps the scale's uncertainty out
}

// gradient is the change of a quantity with each edge's distance, by edge (in
// the order outer positive, outer negative, inner positive, inner negative)
// and level.
type gradient [4][]float64

func (s *Shaft) newGradient() gradient {
	var g gradient
	for e := range g {
		g[e] = make([]float64, len(s.S))
	}
	return g
}

// add adds k times the gradient of a smoother's value over the levels to edge e.
func (g gradient) add(e int, k float64, first int, weights []float64) {
	for i, w := range weights {
		g[e][first+i] += k * w
	}
}

// variance returns the variance of the quantity with gradient g.
//
// The drift has the exponential covariance τ²·exp(−|Δs|/ℓ), for which the
// quadratic form is summed in one pass.
//
// Source: law of propagation, JCGM 100:2008, 5.2.2 (13); exponential
// covariance: C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for
// Machine Learning, MIT Press 2006, (4.9).
func (s *Shaft) variance(g gradient, m ErrorModel) float64 {
	sigma := s.sigmas()
	total := 0.0
	for e := range g {
		model := m.Outer
		if e >= 2 {
			model = m.Inner
		}
		fade := 0.0
		if model.Length > 0 {
			fade = math.Exp(-s.Step / model.Length)
		}
		var white, drift, before float64
		for i, gi := range g[e] {
			before *= fade
			if gi != 0 {
				w := gi * model.White * (*sigma[e])[i]
				white += w * w
				drift += gi*gi + 2*gi*before
				before += gi
			}
		}
		total += white + drift*model.Drift*model.Drift
	}
	outer, inner := sum(g[0])+sum(g[1]), sum(g[2])+sum(g[3])
	return total + square(outer*m.Outer.Bias) + square(inner*m.Inner.Bias)
}

func sum(x []float64) float64 {
	t := 0.0
	for _, v := range x {
		t += v
	}
	return t
}

func square(x float64) float64 { return x * x }

// expanded returns the expanded uncertainty of a variance.
func expanded(variance float64) float64 { return Coverage * math.Sqrt(max(variance, 0)) }
