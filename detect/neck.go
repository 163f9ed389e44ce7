package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// The neck's two outlines are fitted on lines square to its axis.
const (
	neckReach   = 7.0  // mm along the axis on either side of the narrowest place expected
	neckStep    = 1.0  // mm between lines
	neckSpan    = 1.0  // mm along the axis that a line averages on either side
	neckDN      = 0.2  // mm between places of a line
	neckOutside = 4.0  // mm outside of the outline that a fit sees
	neckInside  = 3.0  // mm inside
	neckMoves   = 2.2  // mm that an outline may lie from where it is expected
	neckUnsure  = 0.9  // mm; an edge less certain is none
	neckLines   = 8    // that make an outline
	neckScatter = 0.5  // mm that they may scatter about it
	neckSteep   = 0.15 // mm a mm by which an outline leans against the axis at a narrowest place,
	neckLean    = 1.0  // mm a mm that more of it adds to the uncertainty
	neckAlike   = 4.0  // lines that err alike: neighbours see the same trabeculae
	neckBase    = 0.18 // mm, least standard uncertainty of the middle across the axis
	neckDiffers = 2.5  // standard uncertainties by which outlines and network may disagree
	neckGuess   = 0.8  // mm; a middle that no outline confirms must be as certain as this
)

// neckSide is one outline of the neck: a parabola of its distance from the axis
// by the place along it, mm.
type neckSide struct {
	c     [3]float64
	sigma float64 // of the distance at the middle
}

func (s neckSide) at(u float64) float64 { return s.c[0] + u*(s.c[1]+u*s.c[2]) }

// top is the outline's greatest distance from the axis near the middle.
func (s neckSide) top() float64 {
	if u := -s.c[1] / (2 * s.c[2]); s.c[2] < 0 && math.Abs(u) < neckReach {
		return s.at(u)
	}
	return s.c[0]
}

// neck returns the middle of the narrowest neck with its standard uncertainty
// across the axis, which runs from the head's centre c: what the two outlines and
// the network say, weighted by their certainty. It is nil where they disagree,
// or the outlines are not clear and the network is not sure.
func (h *hip) neck(c geom.PointMM, w neckWaist) *Landmark {
	middle, sigma, ok := h.fitNeck(c, w)
	if !ok {
		if w.sigma > neckGuess || w.strange {
			return nil
		}
		return &Landmark{P: h.sp.Px(w.middle), Sigma: w.sigma}
	}
	axis := middle.Sub(c).Unit()
	if math.Abs(axis.Cross(w.middle.Sub(middle))) > neckDiffers*math.Hypot(sigma, w.sigma) {
		return nil
	}
	k := sigma * sigma / (sigma*sigma + w.sigma*w.sigma)
	return &Landmark{P: h.sp.Px(middle.Mul(1 - k).Add(w.middle.Mul(k))), Sigma: sigma * math.Sqrt(1-k)}
}

// fitNeck returns the middle between the neck's two outlines where the network
// sees it narrowest, with its standard uncertainty across the axis; false where one
// is not clear.
func (h *hip) fitNeck(c geom.PointMM, w neckWaist) (middle geom.PointMM, sigma float64, ok bool) {
	middle = w.middle
	model := &tubeModel{outer: newEdgeTable(h.blur)}
	model.inner = model.outer
	steep := 0.0
	for range 3 { // the outlines turn and move the axis
		axis := middle.Sub(c).Unit()
		n := geom.PointMM{X: -axis.Y, Y: axis.X}
		half := w.superior.Sub(w.inferior).Dot(n) / 2
		if half < 0 {
			n, half = n.Mul(-1), -half
		}
		a, okA := h.outline(middle, axis, n, half, model)
		b, okB := h.outline(middle, axis, n.Mul(-1), half, model)
		if !okA || !okB {
			return middle, 0, false
		}
		middle = middle.Add(n.Mul((a.c[0] - b.c[0]) / 2))
		sigma = math.Hypot(a.sigma, b.sigma) / 2
		steep = math.Max(math.Abs(a.c[1]), math.Abs(b.c[1]))
	}
	return middle, math.Hypot(sigma, math.Hypot(neckBase, neckLean*math.Max(0, steep-neckSteep))), true
}

// outline follows an outline of the bone along the axis through middle, on the side
// out of it, both ways from where it is expected half mm away.
func (h *hip) outline(middle, axis, out geom.PointMM, half float64, model *tubeModel) (s neckSide, ok bool) {
	var us, hs, ws []float64
	steps := int(neckReach / neckStep)
	for _, way := range [2]int{1, -1} {
		want, slope := half, 0.0
		for k := (1 - way) / 2; k <= steps; k++ {
			u := float64(way*k) * neckStep
			at, sigma, found := h.neckEdge(middle.Add(axis.Mul(u)), axis, out, want+slope, half, model)
			if !found {
				slope *= 0.5
				continue
			}
			if k > 0 {
				slope = 0.6*slope + 0.4*clamp(at-want, -1, 1)
			}
			want = at
			us, hs, ws = append(us, u), append(hs, at), append(ws, 1/(sigma*sigma+0.01))
		}
	}
	if len(us) < neckLines {
		return s, false
	}
	w := append([]float64(nil), ws...)
	rms := neckScatter
	res := make([]float64, len(us))
	for range 6 {
		var fine bool
		if s.c, fine = parabola(us, hs, w); !fine {
			return s, false
		}
		for i, u := range us {
			res[i] = math.Abs(hs[i] - s.at(u))
		}
		rms = math.Max(1.4826*median(append([]float64(nil), res...)), 0.05)
		for i, r := range res {
			w[i] = 0
			if q := r / (4.7 * rms); q < 1 {
				w[i] = ws[i] * (1 - q*q) * (1 - q*q)
			}
		}
	}
	n, sum := 0, 0.0
	for i := range w {
		if w[i] > 0 {
			n++
			sum += w[i]
		}
	}
	s.sigma = math.Sqrt(neckAlike) * math.Max(1/math.Sqrt(sum), rms/math.Sqrt(float64(n)))
	return s, n >= neckLines && rms <= neckScatter
}

// neckEdge fits the outline on the line out of one place of the axis, expected
// so far from it, with its standard uncertainty, mm.
func (h *hip) neckEdge(at, axis, out geom.PointMM, expect, half float64, model *tubeModel) (distance, sigma float64, ok bool) {
	n := int((neckOutside + neckInside) / neckDN)
	y := make([]float64, n)
	for i := range y {
		p := at.Add(out.Mul(expect + neckOutside - float64(i)*neckDN))
		for _, o := range [3]float64{-neckSpan, 0, neckSpan} {
			z, on := h.at(p.Add(axis.Mul(o)))
			if !on {
				return 0, 0, false
			}
			y[i] += z / 3
		}
	}
	f, ok := model.fitOuter(y, -neckOutside, neckDN, 0, half)
	sigma = math.Sqrt(f.VarOuter)
	return expect - f.Outer, sigma, ok && math.Abs(f.Outer) < neckMoves && sigma < neckUnsure
}
