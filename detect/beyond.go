package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	beyondStep  = 2.0  // mm along the shaft
	beyondMost  = 80.0 // mm looked at
	beyondFrom  = 15   // levels before the end that tell what the film shows
	beyondPlain = 0.2  // of their contrast across: a row with less shows nothing
	beyondShade = 0.7  // of the range of their means beyond which a row is outside the field
)

// beyond returns how far in mm the film goes on to show something along the
// shaft past the first and past the last level with both outer edges: a trace
// that ends at the film's end or at that of the exposed field has nothing
// beyond, one that lost the bone has.
func (t *shaftTrace) beyond(g *plane, sp geom.Spacing) (out [2]float64) {
	first, last := -1, -1
	for k := range t.m.p {
		if t.side[0][k].ok && t.side[1][k].ok {
			if first < 0 {
				first = k
			}
			last = k
		}
	}
	if last-first < beyondFrom {
		return out
	}
	for i, end := range [2]struct{ k, in int }{{first, 1}, {last, -1}} {
		out[i] = t.shown(g, sp, end.k, end.in)
	}
	return out
}

// shown returns how far the film shows something past level k; in is the step
// of the levels back into the trace.
func (t *shaftTrace) shown(g *plane, sp geom.Spacing, k, in int) float64 {
	half := (t.side[0][k].outer + t.side[1][k].outer) / 2
	var lo, hi float64
	var contrast []float64
	for i := range beyondFrom {
		j := k + i*in
		mean, sd, ok := across(g, sp, t.m.p[j], t.m.n[j], half)
		if !ok {
			continue
		}
		if len(contrast) == 0 {
			lo, hi = mean, mean
		}
		lo, hi = math.Min(lo, mean), math.Max(hi, mean)
		contrast = append(contrast, sd)
	}
	if len(contrast) == 0 {
		return 0
	}
	usual := median(contrast)
	slack := math.Max(beyondShade*(hi-lo), usual)
	along := t.m.p[k].Sub(t.m.p[k+in*beyondFrom]).Unit()
	at := beyondStep
	for ; at < beyondMost; at += beyondStep {
		mean, sd, ok := across(g, sp, t.m.p[k].Add(along.Mul(at)), t.m.n[k], half)
		if !ok || sd < beyondPlain*usual || mean < lo-slack || mean > hi+slack {
			break
		}
	}
	return at - beyondStep
}

// across returns mean and standard deviation of the film over half mm and some
// tissue to either side of p; false where it does not reach.
func across(g *plane, sp geom.Spacing, p, n geom.PointMM, half float64) (mean, sd float64, ok bool) {
	var sum, squares, count float64
	const tissue, step = 4.0, 1.0
	for d := -half - tissue; d <= half+tissue; d += step {
		q := sp.Px(p.Add(n.Mul(d)))
		v, on := g.at(q.X, q.Y)
		if !on {
			if math.Abs(d) < half {
				return 0, 0, false
			}
			continue
		}
		sum += v
		squares += v * v
		count++
	}
	mean = sum / count
	return mean, math.Sqrt(math.Max(0, squares/count-mean*mean)), true
}
