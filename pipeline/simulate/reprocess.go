package simulate

import (
	"math"
	"math/rand/v2"
)

// reprocess changes the contrast of a finished picture, 0 … 1, at random as
// viewers, printers and scanners do after a vendor's processing: local
// contrast, a narrower window, the look-up steeper or flatter in the middle,
// gamma, few grey levels. step is the pixels' pitch in mm. What is burnt to
// either end stays so.
func (p *plane) reprocess(rng *rand.Rand, step float64) {
	if rng.Float64() < 0.25 {
		p.localContrast(span{12, 70}.wide(rng)/step, span{0.3, 1}.even(rng), span{0, 0.7}.even(rng))
	}
	if table := lookUp(rng); table != nil {
		p.apply(table)
	}
}

// lookUp draws a look-up over 0 … 1, in even steps; nil where it changes nothing.
func lookUp(rng *rand.Rand) []float32 {
	var steps []func(v float64) float64
	if rng.Float64() < 0.25 {
		lo, hi := span{0, 0.3}.even(rng), span{0.65, 1}.even(rng)
		steps = append(steps, func(v float64) float64 { return max(0, min(1, (v-lo)/(hi-lo))) })
	}
	if rng.Float64() < 0.25 {
		k := span{2, 8}.even(rng)
		half := math.Tanh(k / 4)
		if rng.Float64() < 0.5 { // steep in the middle
			steps = append(steps, func(v float64) float64 { return 0.5 + 0.5*math.Tanh(k*(v-0.5)/2)/half })
		} else { // its inverse
			steps = append(steps, func(v float64) float64 { return 0.5 + 2/k*math.Atanh((2*v-1)*half) })
		}
	}
	if rng.Float64() < 0.3 {
		gamma := math.Exp(span{-0.9, 0.9}.even(rng))
		steps = append(steps, func(v float64) float64 { return math.Pow(v, gamma) })
	}
	if rng.Float64() < 0.1 {
		levels := math.Round(span{8, 60}.wide(rng))
		steps = append(steps, func(v float64) float64 { return math.Round(v*levels) / levels })
	}
	if len(steps) == 0 {
		return nil
	}
	table := make([]float32, 1025)
	for i := range table {
		v := float64(i) / float64(len(table)-1)
		for _, f := range steps {
			v = f(v)
		}
		table[i] = float32(max(0, min(1, v)))
	}
	return table
}

// apply looks every pixel up, with what lies between the steps.
func (p *plane) apply(table []float32) {
	n := len(table) - 1
	for i, v := range p.v {
		u := max(0, min(1, v)) * float32(n)
		k := min(int(u), n-1)
		p.v[i] = table[k] + (u-float32(k))*(table[k+1]-table[k])
	}
}

// localContrast brings the contrast within sd pixels around every pixel to the
// same size, by share; of the local mean the part kept stays.
func (p *plane) localContrast(sd, share, kept float64) {
	k := max(1, int(sd/3))
	small := p.shrunk(k)
	mean := small.gaussian(sd/float64(k), sd/float64(k))
	spread := newPlane(small.rows, small.cols)
	for i, v := range small.v {
		spread.v[i] = (v - mean.v[i]) * (v - mean.v[i])
	}
	spread = spread.gaussian(sd/float64(k), sd/float64(k))
	for i, v := range spread.v {
		spread.v[i] = localSpread(v)
	}
	for r := range p.rows {
		for c := range p.cols {
			i := r*p.cols + c
			v := p.v[i]
			if v <= 0 || v >= 1 {
				continue
			}
			m := mean.enlarged(c, r, k)
			u := 0.5 + float32(kept)*(m-0.5) + (v-m)*spread.enlarged(c, r, k)
			p.v[i] = max(0, min(1, v+float32(share)*(u-v)))
		}
	}
}

// localSpread is the factor that brings a variance to the wanted size.
func localSpread(v float32) float32 {
	const (
		usual = 0.2  // standard deviation wanted
		floor = 0.05 // keeps noise from being blown up
	)
	return float32(usual / (math.Sqrt(float64(max(v, 0))) + floor))
}
