package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// The lateral wall of the canal 20 mm above the lesser trochanter, where it leaves
// the shaft for the greater one.
const (
	canalAbove  = 20.0 // mm above the tip
	wallReach   = 10.0 // mm outside of the inner edge expected in which the outline is looked for,
	wallBehind  = 2.0  // and inside
	wallAverage = 2.0  // mm along the shaft on either side that this averages
	wallAside   = 3.0  // mm along the outline on either side at which the wall is fitted
	wallBetween = 1.5  // mm between those places, and that each averages on either side
	wallOutside = 4.0  // mm outside of the outline that a fit sees
	wallInside  = 8.0  // mm inside
	wallLeast   = 3    // places that make a wall
	wallBase    = 0.5  // mm, least standard uncertainty of its inner edge; chosen on films of two makers
)

// wallStarts are the thicknesses in mm that a fit starts from.
var wallStarts = [2]float64{1.5, 3}

// canalLateral returns the lateral inner edge of the canal 20 mm above the lesser
// trochanter's tip; the shaft runs along down. What the network says is weighed
// against the wall that the film shows under the outline: on bones with another
// trochanter than those it learnt from it put the edge 3 mm too deep, unsure of it.
// What the two differ by beyond their uncertainties adds to that of the result.
func (h *hip) canalLateral(tip, down, medial geom.PointMM) *Landmark {
	sigma, ok := h.sigma(hipCanalLateral, hipProb)
	if !ok {
		return nil
	}
	out, base := medial.Mul(-1), tip.Sub(down.Mul(canalAbove))
	expect := h.marks[hipCanalLateral].at.Sub(base).Dot(out)
	at, wallSigma, ok := h.wall(base, down, out, expect)
	if !ok {
		return &Landmark{P: h.sp.Px(h.marks[hipCanalLateral].at), Sigma: sigma}
	}
	w := sigma * sigma / (sigma*sigma + wallSigma*wallSigma)
	apart := math.Max(0, math.Abs(at-expect)-math.Hypot(sigma, wallSigma))
	return &Landmark{P: h.sp.Px(base.Add(out.Mul(expect + w*(at-expect)))), Sigma: math.Hypot(wallSigma*math.Sqrt(w), apart/2)}
}

// wall returns where along out from base the bone's wall ends inside, and how sure
// that is, mm; expect is where it is expected. False where outline or wall are not clear.
func (h *hip) wall(base, down, out geom.PointMM, expect float64) (at, sigma float64, ok bool) {
	model := &tubeModel{outer: newEdgeTable(h.blur)}
	model.inner = model.outer
	from, ok := h.steepestFall(base, down, out, expect)
	if !ok {
		return 0, 0, false
	}
	s, ok := h.outline(base, down, out, from, model)
	if !ok {
		return 0, 0, false
	}
	square := out.Sub(down.Mul(s.c[1])).Unit() // to the outline
	along := geom.PointMM{X: -square.Y, Y: square.X}
	var thick []float64
	for u := -wallAside; u <= wallAside; u += wallBetween {
		p := base.Add(down.Mul(u)).Add(out.Mul(s.at(u)))
		if t, ok := h.wallAt(p, along, square, model); ok {
			thick = append(thick, t)
		}
	}
	if len(thick) < wallLeast {
		return 0, 0, false
	}
	middle := median(thick) // sorts them
	slant := math.Hypot(1, s.c[1])
	apart := slant * (thick[len(thick)-1] - thick[0]) / 2
	return s.c[0] - slant*middle, math.Hypot(wallBase, math.Hypot(s.sigma, apart)), true
}

// steepestFall returns the distance along out from base at which the brightness falls
// most steeply, near and outside of expect.
func (h *hip) steepestFall(base, down, out geom.PointMM, expect float64) (at float64, ok bool) {
	value := func(d float64) (sum float64) {
		for u := -wallAverage; u <= wallAverage; u++ {
			z, on := h.at(base.Add(out.Mul(d)).Add(down.Mul(u)))
			if !on {
				return math.NaN()
			}
			sum += z
		}
		return sum
	}
	most := 0.0
	for d := expect - wallBehind; d <= expect+wallReach; d += neckDN {
		if fall := value(d-slopeHalf) - value(d+slopeHalf); fall > most {
			at, most, ok = d, fall, true
		}
	}
	return at, ok
}

// wallAt fits the thickness of the wall at a place of the outline, which runs along;
// square points out of the bone.
func (h *hip) wallAt(p, along, square geom.PointMM, model *tubeModel) (thickness float64, ok bool) {
	y := make([]float64, int((wallOutside+wallInside)/neckDN))
	for i := range y {
		q := p.Add(square.Mul(wallOutside - float64(i)*neckDN))
		for _, o := range [3]float64{-wallBetween, 0, wallBetween} {
			z, on := h.at(q.Add(along.Mul(o)))
			if !on {
				return 0, false
			}
			y[i] += z / 3
		}
	}
	least := math.Inf(1)
	for _, start := range wallStarts {
		f, fits := model.fit(y, -wallOutside, neckDN, 0, start, lesserHalf, lesserHalf)
		if fits && f.RMS < least {
			thickness, least, ok = f.Thickness, f.RMS, true
		}
	}
	return thickness, ok
}
