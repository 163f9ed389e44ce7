package measure

import (
	"math"
	"slices"
)

const (
	baseDegree = 3
	bumpTerms  = baseDegree + 2
	bumpRounds = 2     // the first without weights
	tukey      = 4.685 // of the residuals' standard deviation: 95 % efficient (Huber and Ronchetti, Robust Statistics, 2nd ed. 2009, 4.8)
	madToSigma = 1.4826
	absToSigma = 1.2533 // mean absolute value to standard deviation, of a Gaussian
	leastSide  = 0.8    // lengths of the bump that the line must go on to either side of it
	leastData  = 0.4    // of the levels within half a length that must be known
)

// bumpModel is a bump of one length on a line that is smooth over a longer
// stretch: y ≈ cubic + height·g, where g is a Gaussian with its peak 1 and full
// width length at half height, over a window around it. Terms are tabulated by
// the distance from the peak in levels, from −reach on.
type bumpModel struct {
	length float64
	reach  int
	near   int // levels within half a length on either side
	side   int // levels that the line must go on to either side
	terms  [][bumpTerms]float64
	stiff  [bumpTerms]float64 // added to the normal equations: what is known of a cortex's own course
}

// newBumpModel is the model for a bump of that length over a window of half mm
// to either side.
func newBumpModel(length, half, step float64) *bumpModel {
	m := &bumpModel{stiff: stiffness(half, step), length: length, reach: int(half / step), near: int(length / 2 / step), side: int(math.Ceil(leastSide * length / step))}
	for j := -m.reach; j <= m.reach; j++ {
		u := float64(j) / float64(m.reach)
		g := float64(j) * step / length
		m.terms = append(m.terms, [bumpTerms]float64{1, u, u * u, u * u * u, math.Exp(-4 * math.Ln2 * g * g)})
	}
	return m
}

// A cortex's own edges and thickness bend little: their second and third
// derivative by level have about these standard deviations. What is left beside
// them is irregular by about roughMM over roughLength.
const (
	bendPerMM   = 0.0015 // 1/mm
	twistPerMM2 = 5e-5   // 1/mm²
	roughMM     = 0.2
	roughLength = 12.0 // mm
)

// stiffness is the weight of that knowledge beside levels every step mm over a
// window of half mm to either side.
func stiffness(half, step float64) (s [bumpTerms]float64) {
	v := roughMM * roughMM * roughLength / step
	bend, twist := bendPerMM*half*half/2, twistPerMM2*half*half*half/6
	s[2], s[3] = v/(bend*bend), v/(twist*twist)
	return s
}

// bump is the fit of a bumpModel at one level.
type bump struct {
	at     int // index of the level of its peak
	height float64
	unit   float64 // standard uncertainty of height for independent data of standard deviation 1; NaN: not fitted
	coef   [bumpTerms]float64
}

// fit fits the height of a bump with its peak at index at of y, together with the
// line's own course below it, by iterated reweighting (Tukey's biweight), so
// that neither drags the other. y is NaN where not known. unit is NaN with too
// few data.
func (m *bumpModel) fit(y []float64, at int, w []float64) (b bump) {
	b = bump{at: at, unit: math.NaN()}
	lo, hi := max(at-m.reach, 0), min(at+m.reach, len(y)-1)
	for lo < hi && math.IsNaN(y[lo]) {
		lo++
	}
	for lo < hi && math.IsNaN(y[hi]) {
		hi--
	}
	if at-lo < m.side || hi-at < m.side {
		return b
	}
	n, near := 0, 0
	w = w[:hi-lo+1]
	for i := lo; i <= hi; i++ {
		w[i-lo] = 0
		if !math.IsNaN(y[i]) {
			w[i-lo] = 1
			n++
			if i >= at-m.near && i <= at+m.near {
				near++
			}
		}
	}
	if n < 3*bumpTerms || float64(near) < leastData*float64(2*m.near+1) {
		return b
	}
	terms := m.terms[lo-at+m.reach:][:hi-lo+1]
	y = y[lo : hi+1]
	var cov [bumpTerms][bumpTerms]float64
	for round := range bumpRounds {
		if round > 0 {
			b.reweight(y, w, terms, n)
		}
		a, r := normalEquations(y, w, terms)
		for p, v := range m.stiff {
			a[p][p] += v
		}
		var ok bool
		if cov, ok = inverse(&a); !ok {
			return bump{at: at, unit: math.NaN()}
		}
		for p := range b.coef {
			b.coef[p] = 0
			for q, v := range r {
				b.coef[p] += cov[p][q] * v
			}
		}
	}
	b.height = b.coef[bumpTerms-1]
	b.unit = math.Sqrt(cov[bumpTerms-1][bumpTerms-1])
	return b
}

// reweight sets w to the biweights of what b leaves of y, n of which are known.
func (b *bump) reweight(y, w []float64, terms [][bumpTerms]float64, n int) {
	sum := 0.0
	for i := range terms {
		t := &terms[i]
		w[i] = y[i] - b.coef[0] - b.coef[1]*t[1] - b.coef[2]*t[2] - b.coef[3]*t[3] - b.coef[4]*t[4]
		if r := math.Abs(w[i]); r < math.Inf(1) { // false for NaN
			sum += r
		}
	}
	c := tukey * math.Max(absToSigma*sum/float64(n), 1e-6)
	for i, r := range w {
		w[i] = 0
		if q := r / c; math.Abs(q) < 1 {
			w[i] = (1 - q*q) * (1 - q*q)
		}
	}
}

// normalEquations returns the matrix and the right side of the weighted fit of terms
// to y. The cubic's products are powers of one variable, so that seventeen sums fill
// it: most of a search for thickenings goes here.
func normalEquations(y, w []float64, terms [][bumpTerms]float64) (a [bumpTerms][bumpTerms]float64, r [bumpTerms]float64) {
	var s0, s1, s2, s3, s4, s5, s6, g0, g1, g2, g3, gg, r0, r1, r2, r3, rg float64
	for i, k0 := range w {
		if k0 == 0 {
			continue
		}
		t := &terms[i]
		u, g, v := t[1], t[4], y[i]
		k1, k2, k3, kg := k0*u, k0*t[2], k0*t[3], k0*g
		s0, s1, s2, s3, s4, s5, s6 = s0+k0, s1+k1, s2+k2, s3+k3, s4+k3*u, s5+k3*t[2], s6+k3*t[3]
		g0, g1, g2, g3, gg = g0+kg, g1+k1*g, g2+k2*g, g3+k3*g, gg+kg*g
		r0, r1, r2, r3, rg = r0+k0*v, r1+k1*v, r2+k2*v, r3+k3*v, rg+kg*v
	}
	a = [bumpTerms][bumpTerms]float64{
		{s0, s1, s2, s3, g0},
		{s1, s2, s3, s4, g1},
		{s2, s3, s4, s5, g2},
		{s3, s4, s5, s6, g3},
		{g0, g1, g2, g3, gg},
	}
	return a, [bumpTerms]float64{r0, r1, r2, r3, rg}
}

// mostCond is the condition from which bump and course cannot be told apart.
const mostCond = 1e9

// inverse returns the inverse of a symmetric positive matrix by Cholesky's method;
// false where it is not positive or its condition, by the norm of the greatest
// column, is beyond mostCond. Of matrices so small a library spends most of its time
// on what lies around them.
func inverse(a *[bumpTerms][bumpTerms]float64) (inv [bumpTerms][bumpTerms]float64, ok bool) {
	var l, li [bumpTerms][bumpTerms]float64 // a = l·lᵀ, and l's inverse
	for i := range l {
		for j := range i + 1 {
			s := a[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			switch {
			case j < i:
				l[i][j] = s * li[j][j]
			case s > 0:
				l[i][i] = math.Sqrt(s)
				li[i][i] = 1 / l[i][i]
			default: // NaN too
				return inv, false
			}
		}
		for j := range i {
			s := 0.0
			for k := j; k < i; k++ {
				s -= l[i][k] * li[k][j]
			}
			li[i][j] = s * li[i][i]
		}
	}
	var norm, normInv float64
	for j := range inv {
		sum, sumInv := 0.0, 0.0
		for i := range inv {
			for k := max(i, j); k < bumpTerms; k++ {
				inv[i][j] += li[k][i] * li[k][j]
			}
			sum += math.Abs(a[i][j])
			sumInv += math.Abs(inv[i][j])
		}
		norm, normInv = max(norm, sum), max(normInv, sumInv)
	}
	return inv, norm*normInv <= mostCond
}

// shape is the bump of height 1 with its peak at index at, at index i.
func (m *bumpModel) shape(i, at int) float64 {
	if j := i - at + m.reach; j >= 0 && j < len(m.terms) {
		return m.terms[j][bumpTerms-1]
	}
	return 0
}

// course is the baseline of b at index i, NaN beyond its window.
func (m *bumpModel) course(b *bump, i int) float64 {
	j := i - b.at + m.reach
	if j < 0 || j >= len(m.terms) {
		return math.NaN()
	}
	t := &m.terms[j]
	return b.coef[0]*t[0] + b.coef[1]*t[1] + b.coef[2]*t[2] + b.coef[3]*t[3]
}

// rough is the standard deviation of independent levels that would have what y
// leaves of b around it: more than elsewhere where an edge was traced badly.
func (m *bumpModel) rough(y []float64, b bump) float64 {
	if math.IsNaN(b.unit) {
		return math.NaN()
	}
	reach := max(2*m.near, m.reach/4)
	sum, n := 0.0, 0.0
	for i := max(0, b.at-reach); i <= min(len(y)-1, b.at+reach); i++ {
		if r := y[i] - m.course(&b, i) - b.height*m.shape(i, b.at); !math.IsNaN(r) {
			sum += r * r
			n++
		}
	}
	return math.Sqrt(tracedOver * sum / n)
}

// tracedOver is the number of levels that share their errors: each is averaged
// over some millimetres.
const tracedOver = 3.0

// without returns y with the bump taken out.
func (m *bumpModel) without(y []float64, b bump) []float64 {
	y = slices.Clone(y)
	if !math.IsNaN(b.unit) {
		for i := range y {
			y[i] -= b.height * m.shape(i, b.at)
		}
	}
	return y
}

// robustSD is the standard deviation of the Gaussian whose median absolute value
// is that of v; NaN for none. It changes v.
func robustSD(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	for i := range v {
		v[i] = math.Abs(v[i])
	}
	slices.Sort(v)
	return madToSigma * v[len(v)/2]
}
