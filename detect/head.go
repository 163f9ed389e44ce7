package detect

import (
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

// The head's outline is searched along rays from the centre expected, all but
// those to the neck.
const (
	headRays   = 120  // all around
	neckSector = 50.0 // degrees on either side of the neck's direction that show no rim
	neckFlare  = 75.0 // degrees within which a real head begins to leave its circle,
	flareSigma = 0.4  // mm, by about so much
	headReach  = 7.0  // mm inside and outside of the rim expected
	headDR     = 0.2  // mm between places of a ray
	headWide   = 1.0  // mm across that a ray averages on either side
	slopeHalf  = 0.8  // mm on either side of a place whose difference tells an edge
	slopeCap   = 3.0  // an edge counts as at most so many times the usual slope

	rimOutside = 3.0 // mm of joint space that a fit of the rim sees
	rimInside  = 3.0 // mm of bone that it sees
	rimAlone   = 2.0 // mm of bone that a fit sees for which the shell has no inner edge
	shellWall  = 1.2 // mm of dense bone under the rim to start from, of those
	shellLeast = 0.5 // at least
	shellMost  = 3.0 // and at most
	rimMoves   = 1.5 // mm that it may move
	rimUnsure  = 0.7 // mm; a rim less certain is none
	rimAlike   = 8.0 // rays that err alike: neighbours see the same socket
	rimFloor   = 0.1 // mm, least scatter of the rim

	headUsual   = 24.0 // mm, radius of a head of which only the centre is known (common practice, no source)
	headArc     = 75.0 // degrees of the rim that must be seen for a radius
	headVague   = 1.0  // mm that the centre may be uncertain by,
	radiusVague = 0.5  // and the radius

	// The standard uncertainty of centre and radius: the fit's own, of which rays err
	// more alike than it counts with, at least headBase mm; what a head that is not round
	// adds where less than a long arc is seen; and what the outline beside the neck says
	// against the circle. Fitted on real surfaces on films of two other makers and on
	// simulated ones together.
	headFitted  = 1.4
	headBase    = 0.12
	headUneven  = 0.5 // mm by which a real head leaves its circle over half of it
	fullArc     = 0.6 // 1/(1 − cos) of half the arc seen of a head that stands free
	headOther   = 0.2 // mm a usual slope
	headClear   = 0.8 // mm of the network's own spread of the centre: what is more adds
	headBeyond  = 2.0 // standard uncertainties from the network's centre or radius that no head lies,
	headDiffers = 3.0 // mm at most
)

// headGuess is the head as the network sees it, with standard uncertainties.
type headGuess struct {
	c              geom.PointMM
	r              float64
	sigmaC, sigmaR float64
	spread         float64      // mm, of the centre by the network's own word
	neck           geom.PointMM // unit, from the centre to the neck
}

// ray is the direction of a ray with its brightness from r − headReach outwards.
type ray struct {
	dir   geom.PointMM
	v     []float64 // NaN off the film and beside metal
	slope []float64 // fall outwards over the usual fall, 0 … slopeCap
}

// headRing samples the rays around h.
func headRing(g sheet, h headGuess) []ray {
	n := int(2*headReach/headDR) + 1
	var out []ray
	for i := range headRays {
		sn, cs := math.Sincos(2 * math.Pi * float64(i) / headRays)
		d := geom.PointMM{X: cs, Y: sn}
		if d.Dot(h.neck) > math.Cos(neckSector*math.Pi/180) {
			continue
		}
		t := geom.PointMM{X: -d.Y, Y: d.X}
		q := ray{dir: d, v: make([]float64, n)}
		for k := range q.v {
			p := h.c.Add(d.Mul(h.r - headReach + float64(k)*headDR))
			sum := 0.0
			for _, o := range [3]float64{-headWide, 0, headWide} {
				z, ok := g.at(p.Add(t.Mul(o)))
				if !ok {
					z = math.NaN()
				}
				sum += z
			}
			q.v[k] = sum / 3
		}
		out = append(out, q)
	}
	var all []float64
	const half = int(slopeHalf / headDR)
	for i := range out {
		q := &out[i]
		q.slope = make([]float64, n)
		for k := half; k < n-half; k++ {
			if s := q.v[k-half] - q.v[k+half]; !math.IsNaN(s) {
				q.slope[k] = s
				all = append(all, math.Abs(s))
			}
		}
	}
	if len(all) == 0 {
		return nil
	}
	usual := math.Max(median(all), 1e-9)
	for i := range out {
		for k, s := range out[i].slope {
			out[i].slope[k] = clamp(s/usual, 0, slopeCap)
		}
	}
	return out
}

// rimPoint is where a ray meets the rim: its distance from the centre of h.
type rimPoint struct {
	dir      geom.PointMM
	r, sigma float64
}

// rim fits the projected ball's edge along every ray, from the circle shifted by
// dx, dy and dr: a shell of dense bone where one shows, else the edge alone.
func (h headGuess) rim(rays []ray, model *tubeModel, dx, dy, dr float64) []rimPoint {
	var out []rimPoint
	var y []float64
	for i := range rays {
		q := &rays[i]
		from := h.r + dr + dx*q.dir.X + dy*q.dir.Y // where the rim is expected
		k0 := int((from + rimOutside - h.r + headReach) / headDR)
		k1 := int((from - rimInside - h.r + headReach) / headDR)
		if k0 >= len(q.v) {
			k0 = len(q.v) - 1
		}
		if k1 < 0 {
			continue
		}
		y = y[:0]
		for k := k0; k >= k1; k-- {
			y = append(y, q.v[k])
		}
		for len(y) > 0 && math.IsNaN(y[0]) { // off the film outside
			y = y[1:]
			k0--
		}
		bad := false
		for _, v := range y {
			bad = bad || math.IsNaN(v)
		}
		x0 := from - (h.r - headReach + float64(k0)*headDR)
		if bad || x0 > -1 {
			continue
		}
		f, ok := model.fit(y, x0, headDR, 0, shellWall, h.r+dr, h.r+dr-shellWall)
		if !ok || !f.onRim() || f.Thickness < shellLeast || f.Thickness > shellMost {
			f, ok = model.fitOuter(y[:min(len(y), int((rimAlone-x0)/headDR))], x0, headDR, 0, h.r+dr)
		}
		if s := math.Sqrt(f.VarOuter); ok && f.onRim() {
			if q.dir.Dot(h.neck) > math.Cos(neckFlare*math.Pi/180) {
				s = math.Hypot(s, flareSigma)
			}
			out = append(out, rimPoint{q.dir, from - f.Outer, s})
		}
	}
	return out
}

// onRim tells whether the edge is clear and lies where the rim is expected.
func (f tubeFit) onRim() bool {
	return math.Abs(f.Outer) < rimMoves && f.VarOuter < rimUnsure*rimUnsure
}

// fitHead fits a circle to the outline of the head near h. The radius is 0
// where too little of the rim is seen for it; nil where rim and network do not
// agree.
func fitHead(g sheet, blur Blur, h headGuess) *Circle {
	g.hidden = g.around(h.c, h.r+headReach)
	rays := headRing(g, h)
	if len(rays) == 0 {
		return nil
	}
	model := &tubeModel{outer: newEdgeTable(blur)}
	model.inner = model.outer
	var s circleShift
	for range 3 {
		if s = h.solve(h.rim(rays, model, s.dx, s.dy, s.dr)); s.kept < 3 {
			return nil
		}
	}
	dx, dy, dr := s.dx, s.dy, s.dr
	if math.Hypot(dx, dy) > math.Min(headDiffers, headBeyond*h.sigmaC) || math.Abs(dr) > math.Min(headDiffers, headBeyond*h.sigmaR) {
		return nil
	}
	centre := h.c.Add(geom.PointMM{X: dx, Y: dy})
	if _, on := g.film.at(centre.X/g.sp.X, centre.Y/g.sp.Y); !on || g.field.cuts(centre, 0) {
		return nil // the film shows the smaller part of it
	}
	c := &Circle{C: g.sp.Px(centre), R: h.r + dr}
	arc := float64(s.kept) * 360 / headRays
	c.SigmaC, c.SigmaR = h.doubt(s, arc, h.freeRim(rays, s))
	if arc < headArc || c.SigmaR > radiusVague {
		c.R, c.SigmaR = 0, 0
	}
	if c.SigmaC > headVague {
		return nil
	}
	return c
}

// Beside the neck the head stands free of its socket. Where, between these angles
// from the neck's axis, the outline falls well within the circle and not on it,
// the circle is rather that of the socket's dense roof.
const (
	freeFrom, freeTo   = 40.0, 70.0 // degrees
	insideFrom, inside = 1.5, 6.5   // mm
	onCircle           = 1.0        // mm
)

// freeRim is how much steeper the outline falls within the circle than on it, on
// that side of the neck where it does so more: the mean over the rays of the
// steepest falls' difference, usual slopes, 0 … slopeCap.
func (h headGuess) freeRim(rays []ray, s circleShift) float64 {
	var more, n [2]float64
	for i := range rays {
		q := &rays[i]
		side := 0
		if h.neck.Cross(q.dir) > 0 {
			side = 1
		}
		if a := math.Acos(clamp(h.neck.Dot(q.dir), -1, 1)) * 180 / math.Pi; a < freeFrom || a > freeTo {
			continue
		}
		at := headReach + s.dr + s.dx*q.dir.X + s.dy*q.dir.Y
		more[side] += q.steepest(at-inside, at-insideFrom) - q.steepest(at-onCircle, at+onCircle)
		n[side]++
	}
	return math.Max(0, math.Max(more[0]/math.Max(n[0], 1), more[1]/math.Max(n[1], 1)))
}

// steepest is the steepest fall between two distances along the ray, mm.
func (q *ray) steepest(from, to float64) (top float64) {
	for k := max(0, int(from/headDR)); k <= min(len(q.slope)-1, int(to/headDR)); k++ {
		top = math.Max(top, q.slope[k])
	}
	return top
}

// doubt returns the standard uncertainties of centre and radius of a circle of
// which an arc of so many degrees was seen; other is what freeRim says.
func (h headGuess) doubt(s circleShift, arc, other float64) (sigmaC, sigmaR float64) {
	uneven := headUneven * math.Max(0, 1/(1-math.Cos(arc/2*math.Pi/180))-fullArc)
	more := math.Hypot(math.Hypot(headBase, uneven), math.Hypot(headOther*other, math.Max(0, h.spread-headClear)))
	return math.Hypot(headFitted*s.sigmaC, more), math.Hypot(headFitted*s.sigmaR, more)
}

// circleShift is how a circle fitted to a rim differs from the one expected.
type circleShift struct {
	dx, dy, dr     float64
	sigmaC, sigmaR float64
	kept           int // rays that agree
}

// solve fits the circle to the rim by least squares with Tukey's weights and the
// network's circle as one more observation.
func (h headGuess) solve(rim []rimPoint) (s circleShift) {
	if len(rim) < 3 {
		return s
	}
	// Start from the network's circle moved by the median radius.
	res := make([]float64, len(rim))
	for i, p := range rim {
		res[i] = p.r - h.r
	}
	s.dr = median(append([]float64(nil), res...))
	scatter := 1.5
	var cov [3][3]float64
	for range 12 {
		var a [3][4]float64
		prior := [3]float64{h.sigmaC, h.sigmaC, h.sigmaR}
		for i := range 3 {
			a[i][i] = 1 / (prior[i] * prior[i])
		}
		s.kept = 0
		for _, p := range rim {
			e := p.r - h.r - s.dr - s.dx*p.dir.X - s.dy*p.dir.Y
			u := e / (4.7 * math.Hypot(scatter, p.sigma))
			if math.Abs(u) >= 1 {
				continue
			}
			if math.Abs(u) < 0.6 {
				s.kept++
			}
			w := (1 - u*u) * (1 - u*u) / (rimAlike * (scatter*scatter + p.sigma*p.sigma))
			row := [4]float64{p.dir.X, p.dir.Y, 1, p.r - h.r}
			for i := range 3 {
				for j := range 4 {
					a[i][j] += w * row[i] * row[j]
				}
			}
		}
		var x [3]float64
		if x, cov = solve3(a); cov[2][2] <= 0 {
			return circleShift{}
		}
		s.dx, s.dy, s.dr = x[0], x[1], x[2]
		for i, p := range rim {
			res[i] = math.Abs(p.r - h.r - s.dr - s.dx*p.dir.X - s.dy*p.dir.Y)
		}
		sort.Float64s(res)
		scatter = math.Max(rimFloor, math.Max(0.5*scatter, 1.4826*res[len(res)/2]))
	}
	s.sigmaC, s.sigmaR = math.Sqrt((cov[0][0]+cov[1][1])/2), math.Sqrt(cov[2][2])
	return s
}

// solve3 solves three normal equations and returns the inverse of their matrix;
// zero where they have no solution.
func solve3(a [3][4]float64) (x [3]float64, inverse [3][3]float64) {
	cof := func(i, j int) float64 {
		p, q, r, s := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return a[p][r]*a[q][s] - a[p][s]*a[q][r]
	}
	det := 0.0
	for j := range 3 {
		det += a[0][j] * cof(0, j)
	}
	if !(math.Abs(det) > 1e-12) {
		return x, inverse
	}
	for i := range 3 {
		for j := range 3 {
			inverse[i][j] = cof(j, i) / det
		}
	}
	for i := range 3 {
		for j := range 3 {
			x[i] += inverse[i][j] * a[j][3]
		}
	}
	return x, inverse
}
