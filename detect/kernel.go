package detect

import "math"

// A projected tube has a profile that rises as the square root of the depth
// below its outer edge, and loses a square root again below the edge of its
// canal. Look-up curves and cross-sections that are no ellipse add the next
// half powers. So an edge is modelled by three half powers of the depth, each
// seen through the film's blur and edge enhancement.
const edgePowers = 3 // depth^½, depth^1, depth^{3/2}

// Blur is how a film spreads an edge: a Gaussian of SigmaMM, then edge
// enhancement that adds Amount times the difference from a Gaussian copy of
// radius RadiusMM (unsharp masking). Amount 0 means none.
type Blur struct {
	SigmaMM  float64 // 0.05 … 1.5 mm
	RadiusMM float64
	Amount   float64
}

const (
	tableStep = 0.04 // mm
	tableFrom = -6.0 // mm
	tableTo   = 24.0 // mm
	tableLen  = int((tableTo-tableFrom)/tableStep) + 2
)

// edgeTable holds the three blurred half powers of depth and their slopes at
// every tableStep of depth, interleaved: value, slope for each power.
type edgeTable [][2 * edgePowers]float64

// newEdgeTable tabulates the response of b to an edge at depth 0.
func newEdgeTable(b Blur) edgeTable {
	t := make(edgeTable, tableLen)
	wide := math.Hypot(b.SigmaMM, b.RadiusMM)
	for i := range t {
		x := tableFrom + float64(i)*tableStep
		for k := range edgePowers {
			v, d := blurredPower(k, x, b.SigmaMM)
			if b.Amount != 0 {
				wv, wd := blurredPower(k, x, wide)
				v += b.Amount * (v - wv)
				d += b.Amount * (d - wd)
			}
			t[i][2*k], t[i][2*k+1] = v, d
		}
	}
	return t
}

// at sets r to the interpolated row at depth x.
func (t edgeTable) at(x float64, r *[2 * edgePowers]float64) {
	u := (x - tableFrom) / tableStep
	if u <= 0 {
		*r = t[0]
		return
	}
	i := int(u)
	if i >= len(t)-1 {
		*r = t[len(t)-1]
		return
	}
	f := u - float64(i)
	p := (*[2]([2 * edgePowers]float64))(t[i:])
	a, b := &p[0], &p[1]
	r[0], r[1], r[2] = a[0]+f*(b[0]-a[0]), a[1]+f*(b[1]-a[1]), a[2]+f*(b[2]-a[2])
	r[3], r[4], r[5] = a[3]+f*(b[3]-a[3]), a[4]+f*(b[4]-a[4]), a[5]+f*(b[5]-a[5])
}

// blurredPower returns the value and slope at x of max(0, x)^p convolved with a
// Gaussian of sigma, for p = ½, 1, 3/2 (k = 0, 1, 2).
func blurredPower(k int, x, sigma float64) (v, slope float64) {
	p := float64(k+1) / 2
	u := x / sigma
	switch {
	case u < -unitTo:
		return 0, 0
	case u > unitTo:
		// Far from the edge: two terms of the expansion in sigma/x.
		v = halfPower(x, k+1)
		slope = p * v / x * (1 + (p-1)*(p-2)/2/(u*u))
		return v * (1 + p*(p-1)/2/(u*u)), slope
	}
	s := halfPower(sigma, k+1)
	f := (u + unitTo) / unitStep
	i := min(int(f), len(unitPowers)-2)
	f -= float64(i)
	a, b := unitPowers[i], unitPowers[i+1]
	v = s * (a[2*k] + f*(b[2*k]-a[2*k]))
	slope = s / sigma * (a[2*k+1] + f*(b[2*k+1]-a[2*k+1]))
	return v, slope
}

// halfPower returns x to the power n/2 for n = 1, 2, 3.
func halfPower(x float64, n int) float64 {
	switch n {
	case 1:
		return math.Sqrt(x)
	case 2:
		return x
	}
	return x * math.Sqrt(x)
}

const (
	unitTo   = 7.0
	unitStep = 0.01
)

// unitPowers tabulates the three half powers and their slopes convolved with
// the unit Gaussian over −unitTo … unitTo.
var unitPowers = func() [][2 * edgePowers]float64 {
	n := int(2*unitTo/unitStep) + 1
	out := make([][2 * edgePowers]float64, n)
	// E[max(0, u+Z)^p] = ∫_0^∞ w^p φ(w−u) dw. With w = q² the integrand is
	// smooth and the trapezoid rule converges fast.
	const steps = 400
	for i := range out {
		u := -unitTo + float64(i)*unitStep
		top := math.Sqrt(math.Max(u, 0) + unitTo)
		dq := top / steps
		for j := 1; j <= steps; j++ {
			q := float64(j) * dq
			w := q * q
			g := math.Exp(-0.5*(w-u)*(w-u)) / math.Sqrt(2*math.Pi) * 2 * q * dq
			if j == steps {
				g /= 2
			}
			wp := q
			for k := range edgePowers {
				out[i][2*k] += wp * g
				// d/du φ(w−u) = (w−u)·φ(w−u)
				out[i][2*k+1] += wp * (w - u) * g
				wp *= q
			}
		}
	}
	return out
}()
