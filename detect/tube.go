package detect

import "math"

// The profile of one cortex, from soft tissue outside to the middle of the
// canal, is modelled as a projected tube: tissue varies as a parabola, the bone
// adds the chord through an ellipse from the outer edge inward, the canal takes
// away the chord through its own ellipse, and each chord may bend by the next
// half powers of depth, which look-up curves and cross-sections that are no
// ellipse bring in. Blur and edge enhancement act on all of it. The two edges
// are the parameters; where blur and enhancement are right, they are unbiased.
const (
	tissueTerms = 3
	boneTerms   = 3
	linearTerms = tissueTerms + 2*boneTerms
	allTerms    = linearTerms + 2 // and the shifts of the two edges

	rounds = 7
	// settledMM is the shift of an edge below which a fit is done. A smaller one
	// costs more and gains nothing: what further rounds change are the weights.
	settledMM = 0.05
)

// tubeModel holds the responses of a film to an outer and to an inner edge.
// The inner edge is softer: over a millimetre or two cortex turns into
// trabeculae.
type tubeModel struct {
	outer, inner edgeTable

	// Scratch of fit, kept from call to call: the samples' depths, values and
	// counts, the model's terms there, weights and residuals.
	x, y, count []float64
	rows        []tubeRow
	w, res      []float64
}

// tubeRow holds the model's terms at a sample, and its value last.
type tubeRow [allTerms + 1]float64

// tubeFit is one cortex: the depth of its outer edge along the profile and its
// thickness, mm, with their covariance from the fit's own residual.
type tubeFit struct {
	Outer, Thickness          float64
	VarOuter, VarThick, CovOT float64
	RMS                       float64 // of the residual, outliers weighted down, grey levels
	Misfit                    float64 // root mean square of the residual of all samples, grey levels
	Contrast                  float64 // rise of the outer edge at 1 mm of depth, grey levels
	Drop                      float64 // fall of the inner edge at 1 mm beyond it, positive for a canal, grey levels
}

// fit finds the edges of the cortex in the profile y, sampled every h mm from
// depth x0, starting at outer edge e and thickness t. halfOuter and halfCanal
// are the half widths of the bone and of its canal, mm.
//
// ok is false where the iteration leaves the window or the edges do not have
// the sense of a cortex.
func (m *tubeModel) fit(y []float64, x0, h, e, t, halfOuter, halfCanal float64) (f tubeFit, ok bool) {
	f, ok = m.solve(y, x0, h, e, t, halfOuter, halfCanal, true)
	return f, ok && f.Contrast > 0 && f.Drop > 0
}

// fitOuter finds the outer edge alone: y ends before the inner edge.
func (m *tubeModel) fitOuter(y []float64, x0, h, e, halfOuter float64) (f tubeFit, ok bool) {
	f, ok = m.solve(y, x0, h, e, thicknessMax, halfOuter, halfOuter, false)
	return f, ok && f.Contrast > 0
}

// solve is the iteration of fit; without the inner edge, its terms stay 0.
func (m *tubeModel) solve(y []float64, x0, h, e, t, halfOuter, halfCanal float64, inner bool) (f tubeFit, ok bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range y {
		lo, hi = min(lo, v), max(hi, v)
	}
	scale := hi - lo
	if scale <= 0 || len(y) < allTerms+8 {
		return f, false
	}
	m.sample(y, x0, h, e, t)
	w, res := m.w, m.res
	var a [allTerms]tubeRow
	var coef [allTerms]float64
	noise := 0.02 * scale
	e0, t0 := e, t
	damp := 1.0
	for iter := range rounds {
		for i, v := range m.y {
			row := &m.rows[i]
			m.row(row, m.x[i], e, t, halfOuter, halfCanal, &coef)
			if !inner {
				row[6], row[7], row[8], row[10] = 0, 0, 0, 0
			}
			row[allTerms] = v
		}
		a = m.normal()
		ridge(&a, scale, noise, damp, &coef)
		if !inner {
			a[6][6]++
		}
		sol, fine := solveSym(a)
		if !fine {
			return f, false
		}
		copy(coef[:], sol[:])
		de, dt := 0.0, 0.0
		if iter > 0 {
			de = clamp(coef[linearTerms], -0.5, 0.5)
			dt = clamp(coef[linearTerms+1], -0.8, 0.8)
		}
		// Residual at the linear solution, before the shift.
		ss, sw, all := 0.0, 0.0, 0.0
		for i, v := range m.y {
			row := &m.rows[i]
			r := v
			for p := range allTerms {
				r -= coef[p] * row[p]
			}
			res[i] = r
			ss += w[i] * r * r
			all += m.count[i] * r * r
			sw += w[i]
		}
		noise = math.Sqrt(ss / math.Max(sw-allTerms, 1))
		f.RMS, f.Misfit = noise, math.Sqrt(all/float64(len(y)))
		e += de
		t += dt
		if t < 0.3 {
			t = 0.3
		}
		if math.Abs(e-e0) > 4 || math.Abs(t-t0) > 5 {
			return f, false
		}
		if iter > 1 && math.Abs(de) < settledMM && math.Abs(dt) < 2*settledMM {
			break
		}
		if iter >= 2 {
			m.reweight(noise)
		}
	}
	if !cholesky(&a) {
		return f, false
	}
	f.Outer, f.Thickness = e, t
	// The covariance of the last two unknowns is the inverse of UᵀU of the last
	// two rows of the factor alone.
	p, q, r := a[linearTerms][linearTerms], a[linearTerms][linearTerms+1], a[linearTerms+1][linearTerms+1]
	s2 := noise * noise
	f.VarOuter = s2 * (1 + q*q/(r*r)) / (p * p)
	f.VarThick = s2 / (r * r)
	f.CovOT = -s2 * q / (p * r * r)
	f.Contrast = coef[tissueTerms]
	f.Drop = -coef[tissueTerms+boneTerms]
	return f, true
}

// Farther than this from both edges the profile is smooth, and groupSize
// samples are taken as one.
const (
	groupBeyond = 1.8 // mm
	groupSize   = 3
)

// sample lays out the samples of y for a fit that starts at outer edge e and
// thickness t.
func (m *tubeModel) sample(y []float64, x0, h, e, t float64) {
	m.x, m.y, m.count = m.x[:0], m.y[:0], m.count[:0]
	for i := 0; i < len(y); {
		n := 1
		if last := x0 + float64(i+groupSize-1)*h; i+groupSize <= len(y) &&
			(last < e-groupBeyond || x0+float64(i)*h > e+groupBeyond) &&
			(last < e+t-groupBeyond || x0+float64(i)*h > e+t+groupBeyond) {
			n = groupSize
		}
		sum := 0.0
		for _, v := range y[i : i+n] {
			sum += v
		}
		m.x = append(m.x, x0+(float64(i)+float64(n-1)/2)*h)
		m.y = append(m.y, sum/float64(n))
		m.count = append(m.count, float64(n))
		i += n
	}
	n := len(m.y)
	blocks := (n + normalBlock - 1) / normalBlock * normalBlock
	if cap(m.w) < blocks {
		m.rows, m.w, m.res = make([]tubeRow, 2*blocks), make([]float64, 2*blocks), make([]float64, 2*blocks)
	}
	m.rows, m.w, m.res = m.rows[:blocks], m.w[:blocks], m.res[:n]
	clear(m.rows[n:])
	clear(m.w[n:])
	copy(m.w, m.count)
}

// normalBlock is the number of samples that are added to the normal equations at a
// time: most of a fit's time goes there.
const normalBlock = 4

// normal returns the upper triangle of the normal equations, with the right side.
func (m *tubeModel) normal() (a [allTerms]tubeRow) {
	for i := 0; i+normalBlock <= len(m.rows); i += normalBlock {
		r, w := (*[normalBlock]tubeRow)(m.rows[i:]), (*[normalBlock]float64)(m.w[i:])
		for p := range allTerms {
			w0, w1, w2, w3 := w[0]*r[0][p], w[1]*r[1][p], w[2]*r[2][p], w[3]*r[3][p]
			for q := p; q <= allTerms; q++ {
				a[p][q] += w0*r[0][q] + w1*r[1][q] + w2*r[2][q] + w3*r[3][q]
			}
		}
	}
	return a
}

// row sets r to the model's terms at depth x: linear terms, then the
// derivatives by the edge shift e and the thickness t for the amplitudes in coef.
func (m *tubeModel) row(r *tubeRow, x, e, t, halfOuter, halfCanal float64, coef *[allTerms]float64) {
	u := x / 10
	r[0], r[1], r[2] = 1, u, u*u
	var o, in [2 * edgePowers]float64
	m.outer.at(x-e, &o)
	ko := 1 / (4 * halfOuter)
	r[3], r[4], r[5] = o[0]-ko*o[4], o[2], o[4]
	m.inner.at(x-e-t, &in)
	ki := 1 / (4 * halfCanal)
	r[6], r[7], r[8] = in[0]-ki*in[4], in[2], in[4]
	so := coef[3]*(o[1]-ko*o[5]) + coef[4]*o[3] + coef[5]*o[5]
	si := coef[6]*(in[1]-ki*in[5]) + coef[7]*in[3] + coef[8]*in[5]
	r[9] = -so - si
	r[10] = -si
}

// ridge adds prior knowledge to the normal equations: the bends of both chords
// and the tissue's parabola are small beside the contrast of the edge.
func ridge(a *[allTerms]tubeRow, scale, noise, damp float64, coef *[allTerms]float64) {
	prior := [allTerms]float64{2: 0.5, 4: 0.10, 5: 0.02, 7: 0.10, 8: 0.02}
	for p, s := range prior {
		if s > 0 {
			a[p][p] += noise * noise / (s * s * scale * scale)
		}
	}
	// Levenberg damping of the shifts.
	a[9][9] += noise * noise / (damp * damp)
	a[10][10] += noise * noise / (damp * damp)
	if coef[3] == 0 { // no amplitudes yet: the shifts have no columns
		a[9][9]++
		a[10][10]++
	}
}

// reweight lowers the weight of samples that a letter, a clip or another
// bone's edge throws off (Tukey's biweight, c = 4.7).
func (m *tubeModel) reweight(noise float64) {
	c := 4.7 * noise
	for i, r := range m.res {
		m.w[i] = 0
		if q := r / c; q < 1 && q > -1 {
			m.w[i] = m.count[i] * (1 - q*q) * (1 - q*q)
		}
	}
}

func clamp(v, lo, hi float64) float64 { return max(lo, min(hi, v)) }

// solveSym solves the symmetric positive system whose upper triangle and right
// side stand in a, by Cholesky's method.
func solveSym(a [allTerms]tubeRow) (x [allTerms]float64, ok bool) {
	if !cholesky(&a) {
		return x, false
	}
	for i := range allTerms {
		s := a[i][allTerms]
		for k := range i {
			s -= a[k][i] * x[k]
		}
		x[i] = s / a[i][i]
	}
	for i := allTerms - 1; i >= 0; i-- {
		s := x[i]
		for k := i + 1; k < allTerms; k++ {
			s -= a[i][k] * x[k]
		}
		x[i] = s / a[i][i]
	}
	return x, true
}

// cholesky turns the upper triangle of a into its factor U with a = UᵀU.
func cholesky(a *[allTerms]tubeRow) bool {
	for i := range allTerms {
		for j := i; j < allTerms; j++ {
			s := a[i][j]
			for k := range i {
				s -= a[k][i] * a[k][j]
			}
			if i == j {
				if s <= 1e-12*math.Abs(a[i][i]) || math.IsNaN(s) {
					return false
				}
				a[i][i] = math.Sqrt(s)
			} else {
				a[i][j] = s / a[i][i]
			}
		}
	}
	return true
}
