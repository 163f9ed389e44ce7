package film

import (
	"math"
	"slices"
	"sort"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/calibration"
	"shaftgauge/pipeline/intake"
)

// levelStep is the distance between the levels of the measured shaft.
const levelStep geom.MM = 1

// gapMM is the longest stretch between two points of an edge that is bridged.
const gapMM geom.MM = 8

// femur measures one femur that detect found, and lays nails into its canal.
func femur(f detect.Femur, h intake.Header, sc scale, nails []measure.Nail, base measure.Record) measure.Femur {
	r := base
	r.Reasons = append([]measure.Reason(nil), base.Reasons...)
	r.Values, r.Texts = nil, nil
	noteMetal(&r, f)
	if len(f.OuterClockwise.P) < 2 || len(f.OuterCounter.P) < 2 {
		return refusedWith(measure.Femur{}, r, measure.EdgesUnclear)
	}
	id := identify(h, f)
	r.Side, r.SideBasis, r.View, r.ViewBasis = id.side, id.sideBasis, id.view, id.viewBasis
	for _, why := range id.reasons {
		r.AddReason(why)
	}
	if !surelyFemur(f, id, sc) {
		// No number, whatever the header says.
		return refusedWith(measure.Femur{}, r, measure.FemurUncertain)
	}
	f = withOwnJoints(f, id)
	out := measure.Femur{Geometry: geometry(f, id, r)}
	if f.Discontinuous {
		return refusedWith(out, r, measure.ShaftDiscontinuous)
	}
	sp := sc.spacing
	if !sc.known {
		sp = f.WorkingSpacing
	}
	shaft, err := measure.NewShaft(contours(f, id, sp), levelStep)
	if err != nil {
		return refusedWith(out, r, reasonOf(err))
	}
	opt := measure.ShaftOptions{View: id.view, HasScale: sc.known, Errors: errorModel(f, id.reversed)}
	if !id.facing {
		opt.UnknownSides = true
		r.AddReason(measure.FacingUnknown)
	}
	r.LevelOrigin = "shaft_top"
	if lt := f.LesserTrochanter; lt != nil && !id.reversed && shaft.SetOrigin(sp.MM(lt.P)) {
		r.LevelOrigin = "lesser_trochanter"
		opt.HasOrigin = true
		opt.Errors.OriginSigma = originSigma(*lt, id.view, shaft, sp)
	}
	before := r
	before.Reasons = slices.Clone(r.Reasons)
	shaft.Measure(&r, opt)
	if strayed(&r) {
		return refusedWith(out, before, measure.EdgesUnclear)
	}
	shaft.MeasureJoints(&r, opt, joints(f, id, sp))
	if tooThin(&r) {
		return refusedWith(out, before, measure.EdgesUnclear)
	}
	out.Nails = fitNails(&r, shaft, nails, opt)
	dropHidden(&r, f)
	dropBeside(&r, f, shaft)
	if !id.directed { // a level counts from an end
		delete(r.Values, measure.IsthmusLevel)
		delete(r.Values, measure.BowApex)
	}
	findFocal(&out, &r, f, id, sp, shaft, opt)
	compare(&r, f, id, sp, shaft, opt)
	calibration.Kept().Apply(&r)
	r.DropOpenIsthmus()
	calibration.Kept().ApplyFocal(out.Focal)
	r.Status = measure.DetermineStatus(&r)
	draw(out.Geometry, shaft, r, f, opt.HasOrigin, sp)
	out.Record = r
	out.Profile = shaft.Profile(opt)
	return out
}

// On a lateral film a tip that stands out of the outline below it by less than
// clearTip shaft widths is taken for another bump of that outline too easily: of 15
// such tips, on surfaces and on films of another maker, four were 14 to 18 mm off, of
// 14 clearer ones none by more than 2.8 mm.
const (
	clearTip    = 0.07
	unclearTips = 8.0 // mm, the root mean square of those 15
)

// originSigma is the standard uncertainty of the level origin in mm. A tip that a
// reader set is not doubted.
func originSigma(lt detect.Landmark, view measure.View, shaft *measure.Shaft, sp geom.Spacing) geom.MM {
	if view == measure.Lateral && lt.Sigma > handTipSigma {
		if out, ok := shaft.TipProfile(sp.MM(lt.P)); ok && out < clearTip {
			return math.Hypot(lt.Sigma, unclearTips)
		}
	}
	return lt.Sigma
}

// Over a stretch surely as long as this edges tell the bow's curvature to 0.4 per m
// even on poor films; where they leave far more open they are not those of one bone.
const (
	strayedSpan  = 100.0 // mm
	strayedBends = 1.0   // expanded uncertainty, per m
)

// strayed tells whether the outer edges cannot be those of a shaft.
func strayed(r *measure.Record) bool {
	bend, ok := r.Values[measure.BowCurvature]
	span := r.Values[measure.BowSpan]
	return ok && bend.U95 > strayedBends && span.X-span.U95 >= strayedSpan
}

// thinnest is how many times wider than its shaft a femur's head is at most: of 173
// simulated femurs, which span adults' published sizes, 2.05. More is a shaft of which an
// inner edge, or the film's own border, was taken for an outer one.
const thinnest = 2.25

// tooThin tells whether the head is too large for the shaft.
func tooThin(r *measure.Record) bool {
	head, ok := r.Values[measure.HeadDiameter]
	var widths []float64
	for _, level := range measure.Levels[1:] { // above, the shaft still widens
		if w, ok := r.Values[measure.OuterWidthAt(level)]; ok {
			widths = append(widths, w.X)
		}
	}
	return ok && len(widths) > 0 && head.X-head.U95 > thinnest*median(widths)
}

func refusedWith(f measure.Femur, r measure.Record, why measure.Reason) measure.Femur {
	if why != "" {
		r.AddReason(why)
	}
	r.Status = measure.StatusNotMeasured
	f.Record = r
	return f
}

// contours brings the edges into millimetres, proximal first, positive side
// lateral or anterior.
func contours(f detect.Femur, id identity, sp geom.Spacing) measure.Contours {
	e := func(e detect.Edge) (out measure.Edge) {
		for i := range e.P {
			k := i
			if id.reversed {
				k = len(e.P) - 1 - i
			}
			q := sp.MM(e.P[k])
			// A wider gap than this is no edge: NaN breaks the line.
			if n := len(out.P); n > 0 && q.Sub(out.P[n-1]).Norm() > gapMM {
				out.P = append(out.P, geom.PointMM{X: math.NaN(), Y: math.NaN()})
				out.Sigma = append(out.Sigma, 0)
			}
			out.P, out.Sigma = append(out.P, q), append(out.Sigma, e.Sigma[k])
		}
		return out
	}
	c := measure.Contours{OuterPos: e(f.OuterClockwise), InnerPos: e(f.InnerClockwise), OuterNeg: e(f.OuterCounter), InnerNeg: e(f.InnerCounter)}
	if !id.clockwise {
		c.OuterPos, c.OuterNeg = c.OuterNeg, c.OuterPos
		c.InnerPos, c.InnerNeg = c.InnerNeg, c.InnerPos
	}
	return c
}

// oneOfASide refuses what claims a side that a larger shaft on the same frame
// has already: nobody has two left femurs. f is in the order of detection, the
// largest first.
func oneOfASide(f []measure.Femur, base measure.Record) {
	taken := map[measure.Side]bool{}
	for i := range f {
		side := f[i].Record.Side
		if side != "" && taken[side] {
			f[i] = refused(base, measure.FemurUncertain)
		}
		taken[side] = true
	}
}

// inOrder sorts the femurs of one frame: right, left, then as found.
func inOrder(f []measure.Femur) {
	rank := map[measure.Side]int{measure.Right: 0, measure.Left: 1, "": 2}
	sort.SliceStable(f, func(i, j int) bool { return rank[f[i].Record.Side] < rank[f[j].Record.Side] })
}
