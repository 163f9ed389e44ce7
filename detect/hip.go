package detect

import (
	_ "embed"
	"math"

	"shaftgauge/measure/geom"
)

//go:embed hip.onnx
var hipONNX []byte

//go:embed head.onnx
var headONNX []byte

// hipNet places the landmarks of a hip seen from the front on a patch from
// 110 mm above to 30 mm below the lesser trochanter's tip, from 35 mm on the
// lateral to 105 mm on the medial side of the shaft's line.
var hipNet = patchNetwork{network: newNetwork("hip", hipONNX), rows: 112, cols: 112, marks: hipMarks, more: 2, mm: 1.25, row: 88, col: 28, certain: 0.6}

// The landmarks of hipNet. The rim is that of the head, at 45° to the shaft.
const (
	hipHead = iota
	hipRimProximal
	hipRimMedial
	hipRimDistal
	hipNeck
	hipNeckSuperior
	hipNeckInferior
	hipGreater
	hipLesser
	hipCanalLateral
	hipCanalMedial
	hipMarks
)

const (
	hipFrom = 20.0 // mm below the tip of the lesser trochanter, from where
	hipTo   = 70.0 // to where the shaft's line is carried up through the patch

	hipFrontal = 0.1  // of a frontal view, from which the hip is looked for
	hipProb    = 0.8  // that a landmark is on the patch
	hipMaybe   = 0.3  // that one is whose place outlines confirm
	hipUnsure  = 4.0  // mm; a landmark less certain than this is not known
	hipLost    = 12.0 // mm; where the greater trochanter is there, but nowhere more certain than this, outlines must confirm the neck
	canalShare = 0.65 // of its spread that the network's place of the canal's edges is uncertain by; fitted on simulated films
	tipTwice   = 1.0  // mm, least standard uncertainty of the level of a lesser trochanter that two networks saw; by one, tipSigma
	lesserBump = 0.01 // 1/mm, half the bend of the outline over a lesser trochanter that is seen, at least
	lesserHalf = 20.0 // mm of bone beneath the outline at the lesser trochanter, about
	headLeast  = 15   // mm, least radius of a head, and
	headMost   = 38   // the greatest (common practice, no source)

	turnUnit = 10.0 // degrees of turn that hipNet counts as one; its own standard deviation, which follows, is half the error
)

// headNet places the first of these landmarks once more, on a finer patch around
// the head.
var headNet = patchNetwork{network: newNetwork("head", headONNX), rows: 128, cols: 128, marks: hipGreater, mm: 0.625, row: 63.5, col: 63.5, fine: 4, certain: 0.3}

// closer looks at the head once more, where there is one: a joint space is
// narrower than two pixels of the first patch.
func (h *hip) closer(f patchFrame) error {
	if _, ok := h.ball(); !ok {
		h.marks[hipHead].there = 0
		return nil
	}
	marks, _, err := headNet.find(headNet.around(h.marks[hipHead].at, f), h.film, h.sp)
	if err != nil {
		return err
	}
	copy(h.marks, marks)
	return nil
}

// hip sets the landmarks of the hip of a femur seen from the front, whose
// lesser trochanter and sides are known. What is not clear is left out.
func (t *shaftTrace) hip(f *Femur, full, reduced *plane, sp geom.Spacing, m metal) error {
	if f.LesserTrochanter == nil || f.FrontalView < hipFrontal || f.LateralClockwise > 1-facingProb && f.LateralClockwise < facingProb {
		return nil
	}
	tip := sp.MM(f.LesserTrochanter.P)
	k := t.m.nearest(tip)
	p, down, ok := t.m.chord(k+int(hipFrom/t.m.step), k+int(hipTo/t.m.step))
	if !ok {
		return nil
	}
	h := hip{sheet: sheet{full, sp, m.places, t.field}, blur: t.blur}
	var err error
	frame := hipNet.frame(p, down, tip, f.LateralClockwise < 0.5)
	var turn []float32
	if h.marks, turn, err = hipNet.find(frame, reduced, sp); err != nil {
		return err
	}
	turned := geom.Angle(turnUnit * float64(turn[0]) * math.Pi / 180)
	f.Turn = &turned
	if err := h.closer(frame); err != nil {
		return err
	}
	f.HeadCircle, f.Neck = h.headAndNeck()
	tip, f.LesserTrochanter.Sigma = h.level(tip, down, f.LesserTrochanter.Sigma)
	f.LesserTrochanter.P = sp.Px(h.lesser(tip, down, frame.across))
	f.GreaterTrochanter = h.landmark(hipGreater)
	f.CanalAbove = [2]*Landmark{h.canalLateral(tip, down, frame.across), h.landmark(hipCanalMedial)}
	if m := f.CanalAbove[1]; m != nil {
		m.Sigma *= canalShare
	}
	return nil
}

// level moves the tip of the lesser trochanter along the shaft, which runs along down,
// to between where it was seen, with the given uncertainty, and where this network
// sees it, each by how sure it is; what they differ by adds to the uncertainty.
func (h *hip) level(tip, down geom.PointMM, sigma float64) (geom.PointMM, float64) {
	s, ok := h.sigma(hipLesser, hipProb)
	if !ok {
		return tip, sigma
	}
	first := math.Hypot(hipNet.certain, math.Sqrt(math.Max(0, sigma*sigma-tipSigma*tipSigma))) // as sure as its spread says
	apart := h.marks[hipLesser].at.Sub(tip).Dot(down)
	w := first * first / (first*first + s*s)
	return tip.Add(down.Mul(w * apart)), math.Hypot(tipTwice, math.Hypot(s*math.Sqrt(w), apart*math.Sqrt(w*(1-w))))
}

// lesser moves the tip of the lesser trochanter, whose level is known, square to the
// shaft, which runs along down, onto the bone's outline next to where this network
// sees it, if it stands out there: how far it does the network of its level says
// less well, on real surfaces 1 mm too little.
func (h *hip) lesser(tip, down, out geom.PointMM) geom.PointMM {
	m := h.marks[hipLesser]
	if s, ok := h.sigma(hipLesser, hipProb); !ok || math.Abs(m.at.Sub(tip).Dot(down)) > 3*math.Hypot(s, tipSigma) {
		return tip
	}
	more := m.at.Sub(tip).Dot(out)
	model := &tubeModel{outer: newEdgeTable(h.blur)}
	model.inner = model.outer
	from := tip.Sub(out.Mul(lesserHalf))
	s, ok := h.outline(from, down, out, lesserHalf+more, model)
	if !ok || s.c[2] > -lesserBump {
		return tip
	}
	return tip.Add(out.Mul(s.top() - lesserHalf))
}

// hip is one hip as the network sees it, with the film that it lies on.
type hip struct {
	sheet
	marks []patchMark
	blur  Blur
}

// sigma returns the standard uncertainty of a landmark in any one direction,
// mm; false where it is less probable than least.
func (h *hip) sigma(k int, least float64) (float64, bool) {
	m := h.marks[k]
	s := math.Hypot(m.certain, math.Hypot(m.along, m.cross)/math.Sqrt2)
	return s, m.there >= least && s <= hipUnsure
}

func (h *hip) landmark(k int) *Landmark {
	s, ok := h.sigma(k, hipProb)
	if !ok {
		return nil
	}
	return &Landmark{P: h.sp.Px(h.marks[k].at), Sigma: s}
}

// ball joins the places of the head's centre and rim to one circle.
func (h *hip) ball() (g headGuess, ok bool) {
	sc, ok := h.sigma(hipHead, hipMaybe)
	if !ok {
		return g, false
	}
	c := h.marks[hipHead].at
	// Unknown: shift of the centre and radius, of which the rim's places give
	// c·u + r; where they lie along the rim says nothing.
	var a [3][4]float64
	a[0][0], a[1][1] = 1/(sc*sc), 1/(sc*sc)
	for _, k := range []int{hipRimProximal, hipRimMedial, hipRimDistal} {
		s, ok := h.sigma(k, hipMaybe)
		if !ok {
			continue
		}
		d := h.marks[k].at.Sub(c)
		u := d.Unit()
		row := [4]float64{u.X, u.Y, 1, d.Norm()}
		for i := range 3 {
			for j := range 4 {
				a[i][j] += row[i] * row[j] / (s * s)
			}
		}
	}
	x, cov := solve3(a)
	if cov[2][2] <= 0 || x[2] < headLeast || x[2] > headMost {
		return g, false
	}
	return headGuess{c: c.Add(geom.PointMM{X: x[0], Y: x[1]}), r: x[2],
		sigmaC: math.Sqrt((cov[0][0] + cov[1][1]) / 2), sigmaR: math.Sqrt(cov[2][2])}, true
}

// headAndNeck fits the head's circle and the narrowest neck; nil where they are
// not clear.
func (h *hip) headAndNeck() (*Circle, *Landmark) {
	g, ok := h.ball()
	if !ok {
		return nil, nil
	}
	g.spread = math.Hypot(h.marks[hipHead].along, h.marks[hipHead].cross) / math.Sqrt2
	g.neck = h.marks[hipNeck].at.Sub(g.c).Unit()
	head := fitHead(h.sheet, h.blur, g)
	waist, ok := h.waist()
	if head == nil || !ok {
		return head, nil
	}
	return head, h.neck(h.sp.MM(head.C), waist)
}

// neckWaist is the narrowest neck as the network sees it.
type neckWaist struct {
	middle, superior, inferior geom.PointMM
	sigma                      float64
	strange                    bool // the hip is not like those trained on
}

// waist joins the middle of the narrowest neck with that of its two ends.
func (h *hip) waist() (w neckWaist, ok bool) {
	s, ok := h.sigma(hipNeck, hipMaybe)
	a, okA := h.sigma(hipNeckSuperior, hipMaybe)
	b, okB := h.sigma(hipNeckInferior, hipMaybe)
	if !ok || !okA || !okB {
		return w, false
	}
	g := h.marks[hipGreater]
	w.strange = g.there >= hipProb && math.Hypot(g.along, g.cross) > hipLost
	w.superior, w.inferior = h.marks[hipNeckSuperior].at, h.marks[hipNeckInferior].at
	ends := math.Hypot(a, b) / 2
	q := 1 / (ends * ends) / (1/(ends*ends) + 1/(s*s))
	w.middle = h.marks[hipNeck].at.Mul(1 - q).Add(w.superior.Add(w.inferior).Mul(q / 2))
	w.sigma = 1 / math.Sqrt(1/(ends*ends)+1/(s*s))
	return w, true
}
