package detect

import (
	"errors"
	"math"

	"shaftgauge/measure/geom"
)

// ErrBlank is returned for a film without contrast.
var ErrBlank = errors.New("detect: blank image")

const (
	reducedMM      = 0.5  // a pixel of the reduced film that edges are searched on
	nominalWidthMM = 30.0 // of a shaft, for a film without a scale
	markProb       = 0.5  // a landmark less likely is not there
	reducedMin     = 2
	reducedMax     = 8
)

// Femurs finds the femurs on a film, the largest first, and traces their
// shafts. No femur is no error: the result is empty.
//
// Errors: ErrBlank, or a film whose pixels do not fit its size.
func Femurs(img Image) ([]Femur, error) {
	s, found, err := survey(img)
	if err != nil {
		return nil, err
	}
	var out []Femur
	var traced []*shaftTrace
	for i := range found {
		c := &found[i]
		if c.guide.knee, err = s.p.knee(*c, s.g, s.reduced, s.sp); err != nil {
			return nil, err
		}
		t, ok := trace(s.full, s.reduced, s.sp, c.guide)
		if !ok || t.overlaps(traced) {
			continue
		}
		traced = append(traced, t)
		f, ok, err := s.femur(*c, t)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, f)
		}
	}
	return withoutLowerLegs(out, s.sp), nil
}

// surveyed is a film and what the coarse network sees on it.
type surveyed struct {
	full, reduced *plane
	sp            geom.Spacing // mm of full; of a film without a scale what its shafts make it
	p             planes
	g             grid
	field         field // what the film's borders leave of it
}

// survey looks over a film for shafts.
func survey(img Image) (s surveyed, found []candidate, err error) {
	m, err := film16(img)
	if err != nil {
		return s, nil, err
	}
	defer m.Close()
	s.full = &plane{pix: img.Pixels, rows: img.Rows, cols: img.Cols, k: 1}
	s.sp = img.Spacing
	if !img.HasScale {
		// Until a shaft is seen, call the film's long side 430 mm.
		f := 430 / math.Max(float64(img.Rows)*s.sp.Y, float64(img.Cols)*s.sp.X)
		s.sp = geom.Spacing{Y: s.sp.Y * f, X: s.sp.X * f}
	}
	k := int(math.Round(reducedMM / math.Sqrt(s.sp.X*s.sp.Y)))
	if s.reduced, err = reduce(m, max(reducedMin, min(k, reducedMax))); err != nil {
		return s, nil, err
	}
	if lo, hi := ends(s.reduced.pix); hi-lo < 8 {
		return s, nil, ErrBlank
	}
	part := exposed(s.reduced, s.sp)
	s.g = newGrid(part, s.sp, inputSide)
	film, err := input(s.reduced.part(part), s.g)
	if err != nil {
		return s, nil, err
	}
	if s.p, err = locate(film); err != nil {
		return s, nil, err
	}
	found = s.p.shafts(s.g)
	if !img.HasScale && len(found) > 0 {
		f := nominalWidthMM / (2 * found[0].half)
		s.sp = geom.Spacing{Y: s.sp.Y * f, X: s.sp.X * f}
		s.g = newGrid(part, s.sp, inputSide)
		found = s.p.shafts(s.g)
	}
	if len(found) > 0 {
		s.field = exposedField(s.reduced, s.sp)
	}
	return s, found, s.p.recognise(found, film, s.g, img.HasScale)
}

// femur looks at the femur of the traced shaft t from its hip to its knee; false
// where it is as broad as none.
func (s *surveyed) femur(c candidate, t *shaftTrace) (f Femur, ok bool, err error) {
	full, reduced, sp := s.full, s.reduced, s.sp
	t.field = s.field
	f = Femur{Found: c.femur, ProximalFirst: c.proximal, FrontalView: c.frontal, LateralClockwise: c.clockwise, WorkingSpacing: sp}
	s.p.landmarks(&f, c, s.g, sp)
	knee := f.Located.CondyleLateral != nil && f.Located.CondyleMedial != nil
	metal, err := t.findMetal(full, reduced, sp)
	if err != nil {
		return f, false, err
	}
	if err := s.p.trochanter(&f, reduced, t.m, metal, s.field, c, s.g, sp); err != nil {
		return f, false, err
	}
	if knee {
		f.ProximalFirst = surer(f.ProximalFirst, kneeOdds)
	}
	if f.LesserTrochanter != nil {
		f.ProximalFirst = surer(f.ProximalFirst, tipOdds)
	}
	from := s.p.shaftTop(t.m, f, c, s.g, sp)
	parted := t.broken(from)
	f.MetalOverOuter, f.MetalOverInner = metal.clear(t, from)
	f.Discontinuous = metal.parts(parted, t.broken(from))
	f.Implant = metal.kind
	for side := range t.side {
		keepShaft(t.side[side], from, t.flare)
	}
	t.dropCutOff()
	t.condyles(&f, full, sp, c.guide.knee)
	t.endAboveKnee(&f, sp)
	if err := t.refine(&f, full, sp, metal, from); err != nil {
		return f, false, err
	}
	t.edges(&f, sp)
	f.Second, f.Beyond = secondEdges(reduced, sp, c.guide), t.beyond(reduced, sp)
	f.Width = t.width()
	if w := f.Width; !(w >= leastWidth && w <= mostWidth || (f.MetalOverOuter > 0 || f.Discontinuous || t.cut) && math.IsNaN(w)) {
		return f, false, nil
	}
	if err := t.hip(&f, full, reduced, sp, metal); err != nil {
		return f, false, err
	}
	metal.clearJoints(&f, sp)
	s.field.drop(sp, &f.Neck, &f.GreaterTrochanter, &f.CanalAbove[0], &f.CanalAbove[1])
	t.believe(&f, sp)
	return f, true, nil
}

// edges writes the traced edges into f.
func (t *shaftTrace) edges(f *Femur, sp geom.Spacing) {
	for s, e := range [2][2]*Edge{{&f.OuterClockwise, &f.InnerClockwise}, {&f.OuterCounter, &f.InnerCounter}} {
		for k, l := range t.side[s] {
			if !l.ok {
				continue
			}
			p, n := t.m.p[k], t.m.n[k].Mul(outward[s])
			e[0].P = append(e[0].P, sp.Px(p.Add(n.Mul(l.outer))))
			e[0].Sigma = append(e[0].Sigma, l.sOuter)
			if l.innerOK {
				e[1].P = append(e[1].P, sp.Px(p.Add(n.Mul(l.inner))))
				e[1].Sigma = append(e[1].Sigma, l.sInner)
			}
		}
	}
}

// leastWidth and mostWidth bound the outer width of a femur's shaft in mm, from
// a child's to a thick shaft magnified by a third (common practice, no source).
const (
	leastWidth = 13.0
	mostWidth  = 55.0
)

// width is the median outer width over the levels where both sides were found;
// NaN where there is none.
func (t *shaftTrace) width() float64 {
	var w []float64
	for k := range t.m.p {
		if a, b := t.side[0][k], t.side[1][k]; a.ok && b.ok {
			w = append(w, a.outer+b.outer)
		}
	}
	if len(w) == 0 {
		return math.NaN()
	}
	return median(w)
}

// contrast is the median rise of the outer edges, grey levels; 0 where there is none.
func (t *shaftTrace) contrast() float64 {
	var rises []float64
	for s := range t.side {
		for _, l := range t.side[s] {
			if l.ok {
				rises = append(rises, l.contrast)
			}
		}
	}
	if len(rises) == 0 {
		return 0
	}
	return median(rises)
}

const (
	belowTip   = 4.0  // mm below the lesser trochanter's tip where the shaft's own edges begin
	topToTip   = 30.0 // mm from the top of the coarse mask to the tip
	aboveTop   = 15.0 // mm above the top of the mask where the rest of the femur shows, if it is on the film
	femurProb  = 0.5
	facingProb = 0.8 // that the picture tells the trochanter's side
)

// topOnFilm tells whether the coarse mask ends at the top because the shaft
// does, not because the film does.
func (p planes) topOnFilm(c candidate, g grid) bool {
	along := c.line[0].Sub(c.line[min(4, len(c.line)-1)]).Unit()
	return p.at(planeFemur, g, c.line[0].Add(along.Mul(aboveTop))) > femurProb
}

// trochanter replaces the coarse place of the lesser trochanter by the place
// that the patch around it shows; none where neither tells.
func (p planes) trochanter(f *Femur, reduced *plane, m midline, over metal, exposed field, c candidate, g grid, sp geom.Spacing) error {
	var k int
	switch {
	case f.LesserTrochanter != nil:
		k = m.nearest(sp.MM(f.LesserTrochanter.P))
	case p.topOnFilm(c, g):
		k = m.nearest(c.line[0]) + int(topToTip/m.step)
	default:
		return nil
	}
	f.LesserTrochanter = nil
	if f.LateralClockwise < facingProb && f.LateralClockwise > 1-facingProb {
		return nil
	}
	var err error
	bare := !anyNear(over.implant, m.p[k], aroundTip)
	f.LesserTrochanter, err = trochanterTip(reduced, m, sp, exposed, k, f.LateralClockwise < 0.5, bare && f.FrontalView >= 0.5)
	exposed.drop(sp, &f.LesserTrochanter)
	return err
}

// shaftTop returns the first level whose edges are those of the shaft, not of
// the trochanters.
func (p planes) shaftTop(m midline, f Femur, c candidate, g grid, sp geom.Spacing) int {
	switch {
	case f.LesserTrochanter != nil:
		return m.nearest(sp.MM(f.LesserTrochanter.P)) + int(belowTip/m.step)
	case p.topOnFilm(c, g):
		return m.nearest(c.line[0]) + int((topToTip+2*belowTip)/m.step)
	}
	return 0
}

// landmarks looks for the landmarks of the femur whose shaft is c.
func (p planes) landmarks(f *Femur, c candidate, g grid, sp geom.Spacing) {
	top, end := c.line[0], c.line[len(c.line)-1]
	near := func(k int, at geom.PointMM, reach float64) *Landmark {
		q, prob := p.mark(k, at, reach, g)
		if prob < markProb {
			return nil
		}
		return &Landmark{P: sp.Px(q), Sigma: 0.4 * g.half()}
	}
	width := 2 * c.half
	f.LesserTrochanter = near(markLesserTrochanter, top, 2.5*width)
	f.Located.Head = near(markHead, top, 4*width)
	f.Located.NeckCentre = near(markNeck, top, 3.5*width)
	f.Located.CondyleLateral = near(markCondyleLateral, end, 4.5*width)
	f.Located.CondyleMedial = near(markCondyleMedial, end, 4.5*width)
}

// sameShaft is the share of a shaft's levels within a shaft's half width of
// another's mid-line from which the two are one.
const sameShaft = 0.3

// overlaps tells whether t runs along a shaft that was traced before.
func (t *shaftTrace) overlaps(before []*shaftTrace) bool {
	for _, b := range before {
		near := 0
		for i, p := range t.m.p {
			q := b.m.p[b.m.nearest(p)]
			if q.Sub(p).Norm() < math.Max(t.side[0][i].outer, 8) {
				near++
			}
		}
		if float64(near) > sameShaft*float64(len(t.m.p)) {
			return true
		}
	}
	return false
}
