package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"shaftgauge/measure/geom"
)

// arcFit is the fitted arc in a frame of its own: lengths divided by scale and
// counted from origin.
type arcFit struct {
	p           []geom.PointMM // in that frame
	w           []float64
	origin      geom.PointMM
	scale       float64
	k, theta, d float64 // curvature, direction, offset of the point nearest to the origin
	cost        float64 // Σ w e²
	sumW        float64
	inverse     mat.SymDense // of JᵀWJ
	first, last geom.PointMM
}

const arcIterations = 200

func fitArc(p []geom.PointMM, w []float64) (*arcFit, error) {
	const op = "FitArc"
	if w != nil && len(w) != len(p) {
		return nil, &Error{Op: op, Reason: Degenerate, Detail: fmt.Sprintf("%d points, %d weights", len(p), len(w))}
	}
	if len(p) < 3 {
		return nil, &Error{Op: op, Reason: TooFewPoints, Detail: fmt.Sprintf("n=%d, need 3", len(p))}
	}
	f := &arcFit{w: w, first: p[0], last: p[len(p)-1]}
	if w == nil {
		f.w = make([]float64, len(p))
		for i := range f.w {
			f.w[i] = 1
		}
	}
	var mean geom.PointMM
	for i, q := range p {
		mean = mean.Add(q.Mul(f.w[i]))
		f.sumW += f.w[i]
	}
	mean = mean.Mul(1 / f.sumW)
	nearest := math.Inf(1)
	for i, q := range p {
		d := q.Sub(mean)
		f.scale += f.w[i] * d.Dot(d)
		if n := d.Norm(); n < nearest {
			nearest, f.origin = n, q
		}
	}
	f.scale = math.Sqrt(f.scale / f.sumW)
	if !(f.scale > 1e-9*(1+mean.Norm())) || math.IsInf(f.scale, 0) {
		return nil, &Error{Op: op, Reason: Degenerate, Detail: "points at one place or not finite"}
	}
	f.p = make([]geom.PointMM, len(p))
	for i, q := range p {
		f.p[i] = q.Sub(f.origin).Mul(1 / f.scale)
	}
	if !f.start() {
		return nil, &Error{Op: op, Reason: Degenerate, Detail: "no algebraic fit"}
	}
	if !f.refine() {
		return nil, &Error{Op: op, Reason: NotConverged, Detail: fmt.Sprintf("%d iterations", arcIterations)}
	}
	return f, nil
}

// start sets the parameters by the algebraic fit A r² + Bx + Cy + D = 0 with
// B² + C² − 4AD = 1 (PRA87), for which A = κ/2, (B, C) = −(1 + κd)·n and
// D = d(1 + κd/2).
func (f *arcFit) start() bool {
	var m [16]float64
	for i, q := range f.p {
		z := [4]float64{q.Dot(q), q.X, q.Y, 1}
		for a := range 4 {
			for b := range 4 {
				m[4*a+b] += f.w[i] * z[a] * z[b]
			}
		}
	}
	// The constraint's matrix has the inverse that swaps the first and last
	// rows times −1/2; of the pencil's eigenvalues one is negative, and the
	// smallest of the others is the minimum.
	a := mat.NewDense(4, 4, nil)
	for j := range 4 {
		a.Set(0, j, -m[4*3+j]/2)
		a.Set(1, j, m[4*1+j])
		a.Set(2, j, m[4*2+j])
		a.Set(3, j, -m[4*0+j]/2)
	}
	var eig mat.Eigen
	if !eig.Factorize(a, mat.EigenRight) {
		return false
	}
	values := eig.Values(nil)
	order := []int{0, 1, 2, 3}
	slices.SortFunc(order, func(i, j int) int { return cmp.Compare(real(values[i]), real(values[j])) })
	var vectors mat.CDense
	eig.VectorsTo(&vectors)
	v := func(i int) float64 { return real(vectors.At(i, order[1])) }
	norm := v(1)*v(1) + v(2)*v(2) - 4*v(0)*v(3)
	if !(norm > 0) {
		return false
	}
	s := 1 / math.Sqrt(norm)
	k, q := 2*v(0)*s, math.Hypot(v(1), v(2))*s // q = |1 + κd|
	n := geom.PointMM{X: -v(1) * s / q, Y: -v(2) * s / q}
	if !(q > 0) {
		return false
	}
	f.k = k
	f.theta = math.Atan2(-n.X, n.Y)
	f.d = 2 * v(3) * s / (q + 1) // D = d(2+κd)/2 and q = 1+κd
	return true
}

// residual returns the signed distance of q from the arc, positive on the side
// of n = (−sin θ, cos θ), and its derivatives by θ, d and κ.
func (f *arcFit) residual(q geom.PointMM) (e float64, g [3]float64) {
	sin, cos := math.Sincos(f.theta)
	u, v := cos*q.X+sin*q.Y, -sin*q.X+cos*q.Y
	r2 := u*u + v*v
	c := 1 + f.k*f.d
	num := 2*c*v - f.d*(1+c) - f.k*r2
	root := math.Sqrt(max(1-f.k*num, 1e-18)) // κ times the distance from the centre
	e = num / (1 + root)
	g[0] = -c * u / root
	g[1] = -(c - f.k*v) / root
	rootK := (f.k*r2 - v*(c+f.k*f.d) + c*f.d) / root
	g[2] = (2*f.d*v-f.d*f.d-r2)/(1+root) - num*rootK/((1+root)*(1+root))
	return e, g
}

// normal returns JᵀWJ, JᵀWe and the cost Σ w e².
func (f *arcFit) normal() (jj [6]float64, je [3]float64, cost float64) {
	for i, q := range f.p {
		e, g := f.residual(q)
		w := f.w[i]
		jj[0] += w * g[0] * g[0]
		jj[1] += w * g[0] * g[1]
		jj[2] += w * g[0] * g[2]
		jj[3] += w * g[1] * g[1]
		jj[4] += w * g[1] * g[2]
		jj[5] += w * g[2] * g[2]
		for j := range je {
			je[j] += w * g[j] * e
		}
		cost += w * e * e
	}
	return jj, je, cost
}

// refine runs Levenberg–Marquardt with Marquardt's diagonal damping.
func (f *arcFit) refine() bool {
	lambda := 1e-3
	jj, je, cost := f.normal()
	for range arcIterations {
		damped := mat.NewSymDense(3, []float64{
			jj[0] * (1 + lambda), jj[1], jj[2],
			jj[1], jj[3] * (1 + lambda), jj[4],
			jj[2], jj[4], jj[5] * (1 + lambda),
		})
		var chol mat.Cholesky
		var step mat.VecDense
		if !chol.Factorize(damped) || chol.SolveVecTo(&step, mat.NewVecDense(3, je[:])) != nil {
			lambda = max(10*lambda, 1e-12)
			if lambda > 1e12 {
				return false
			}
			continue
		}
		theta, d, k := f.theta, f.d, f.k
		f.theta -= step.AtVec(0)
		f.d -= step.AtVec(1)
		f.k -= step.AtVec(2)
		njj, nje, ncost := f.normal()
		small := mat.Norm(&step, 2) < 1e-12
		if !(ncost <= cost) {
			f.theta, f.d, f.k = theta, d, k
			if small {
				return f.finish(jj, cost)
			}
			if lambda *= 10; lambda > 1e12 {
				// No step of any length goes down: rounding is reached.
				return f.finish(jj, cost)
			}
			continue
		}
		lambda = max(lambda/10, 1e-15)
		jj, je, cost = njj, nje, ncost
		if small {
			return f.finish(jj, cost)
		}
	}
	return false
}

func (f *arcFit) finish(jj [6]float64, cost float64) bool {
	f.cost = cost
	var chol mat.Cholesky
	ok := chol.Factorize(mat.NewSymDense(3, []float64{
		jj[0], jj[1], jj[2],
		jj[1], jj[3], jj[4],
		jj[2], jj[4], jj[5],
	}))
	return ok && chol.InverseTo(&f.inverse) == nil
}

// forward is +1 when θ points from the first point towards the last, else −1.
func (f *arcFit) forward() float64 {
	sin, cos := math.Sincos(f.theta)
	if f.last.Sub(f.first).Dot(geom.PointMM{X: cos, Y: sin}) < 0 {
		return -1
	}
	return 1
}

func (f *arcFit) arc() Arc {
	sin, cos := math.Sincos(f.theta)
	s := f.forward()
	a := Arc{
		Curvature: s * f.k / f.scale,
		Foot:      f.origin.Add(geom.PointMM{X: -sin, Y: cos}.Mul(f.d * f.scale)),
		Dir:       geom.PointMM{X: cos, Y: sin}.Mul(s),
		RMS:       math.Sqrt(f.cost/f.sumW) * f.scale,
		N:         len(f.p),
	}
	if n := len(f.p); n > 3 {
		// The weights' scale drops out: σ² is estimated from the residuals.
		a.CurvatureSigma = math.Sqrt(f.cost/float64(n-3)*f.inverse.At(2, 2)) / f.scale
	}
	a.Angle = f.span()
	return a
}

// span returns the angle the points take up at the centre: the full turn less
// the widest empty sector.
func (f *arcFit) span() geom.Angle {
	if math.Abs(f.k) < 1e-9 {
		return 0
	}
	sin, cos := math.Sincos(f.theta)
	n := geom.PointMM{X: -sin, Y: cos}
	c := n.Mul(f.d + 1/f.k)
	dir := make([]float64, len(f.p))
	for i, q := range f.p {
		r := q.Sub(c).Mul(-math.Copysign(1, f.k))
		dir[i] = math.Atan2(n.Cross(r), n.Dot(r)) // from the direction of the foot
	}
	slices.Sort(dir)
	gap := 2*math.Pi - (dir[len(dir)-1] - dir[0])
	for i := 1; i < len(dir); i++ {
		gap = max(gap, dir[i]-dir[i-1])
	}
	return geom.Angle(2*math.Pi - gap)
}

// curvatureGradient returns the change of [Arc.Curvature] in 1/mm² with a
// shift of each point along the clockwise normal of the arc's direction.
func (f *arcFit) curvatureGradient() []float64 {
	out := make([]float64, len(f.p))
	for i, q := range f.p {
		_, g := f.residual(q)
		dk := 0.0
		for j := range g {
			dk -= f.inverse.At(2, j) * g[j] * f.w[i]
		}
		out[i] = dk / (f.scale * f.scale) // forward twice: of the curvature and of the normal
	}
	return out
}

// influence returns how much the fitted arc moves at p, and how much it turns
// there per mm, with a shift of each point square to the arc: all shifts to
// the same side, turns towards it along the direction.
func (f *arcFit) influence(p, along geom.PointMM) (shift, turn []float64) {
	const apart = 1e-3 // of the frame's unit
	q := p.Sub(f.origin).Mul(1 / f.scale)
	at := func(q geom.PointMM) []float64 {
		_, here := f.residual(q)
		out := make([]float64, len(f.p))
		for i, datum := range f.p {
			_, g := f.residual(datum)
			for a := range g {
				for b := range g {
					out[i] += here[a] * f.inverse.At(a, b) * g[b] * f.w[i]
				}
			}
		}
		return out
	}
	shift = at(q)
	before, after := at(q.Sub(along.Mul(apart))), at(q.Add(along.Mul(apart)))
	turn = make([]float64, len(shift))
	for i := range turn {
		turn[i] = (after[i] - before[i]) / (2 * apart * f.scale)
	}
	return shift, turn
}
