package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// ShaftOptions says what is known of a shaft besides its edges.
type ShaftOptions struct {
	View         View
	UnknownSides bool // the positive side is not known to be lateral or anterior: sided columns stay empty
	HasOrigin    bool // the levels count from the lesser trochanter
	HasScale     bool // millimetres are millimetres; false: lengths stay empty, angles and ratios are measured
	Errors       ErrorModel
}

const (
	// leastBow is the shortest stretch of diaphysis in mm that gets a
	// curvature, and leastPoints the fewest mid-points on it.
	leastBow    geom.MM = 30
	leastPoints         = 10

	// leastCurvature in 1/mm is the last digit written; below it a shaft is
	// straight.
	leastCurvature = 1e-6

	// straightCoverage multiplies the uncertainty of the sagitta of a shaft
	// whose bow is not resolved: the greatest of the distances along it is then
	// the greatest of about ten independent errors, of which 95 % lie within
	// 2.8 standard deviations.
	//
	// Source: Z. Šidák, J. Am. Stat. Assoc. 62 (1967) 626–633.
	straightCoverage = 1.4
)

// Measure fills r with the quantities of the shaft: the visible diaphysis, the
// shaft's axis, bow, cortex and widths by level, and the isthmus, each with
// its expanded uncertainty, and the reasons for what is absent.
//
// Every quantity is a function of the edges' distances; its variance is that
// of the function's linear form (JCGM 100:2008, 5.2) under opt.Errors. Errors
// of the level origin act through the quantity's slope along the shaft, those
// of the diaphysis' ends through the change when an end is moved.
func (s *Shaft) Measure(r *Record, opt ShaftOptions) {
	m := measurement{Shaft: s, r: r, opt: opt, d: s.diaphysis(opt.HasOrigin)}
	m.origin()
	if m.d.to-m.d.from < s.Step {
		r.AddReason(ShaftTooShort) // nothing but metaphysis to be seen
		return
	}
	m.ends()
	m.extent()
	m.axis()
	if _, ok := sides[opt.View]; ok && !opt.UnknownSides {
		m.bow()
	}
	m.levels()
	m.isthmus()
}

// measurement is one call of Measure.
type measurement struct {
	*Shaft
	r   *Record
	opt ShaftOptions
	d   diaphysis

	fromSigma, toSigma, originSigma geom.MM // of the ends and of the origin, along the bone
}

// ends sets the standard uncertainties of the diaphysis' ends along the bone.
func (m *measurement) ends() {
	e := m.opt.Errors
	m.originSigma = e.EndSigma[0] // the shaft's top
	if m.opt.HasOrigin {
		m.originSigma = e.OriginSigma
	}
	m.fromSigma, m.toSigma = e.EndSigma[0], e.EndSigma[1]
	if !m.d.cutProximal {
		m.fromSigma = m.originSigma
	} else if m.opt.HasOrigin { // it begins no higher than by its definition
		m.fromSigma = min(m.fromSigma, m.d.from-diaphysisStart+m.Step)
	}
	if !m.d.cutDistal {
		m.toSigma = m.flareSigma(&m.d, e)
	}
}

// setLength records a length in mm with its variance; nothing without a scale.
func (m *measurement) setLength(q Quantity, x, variance float64) {
	if m.opt.HasScale {
		m.r.Set(q, x, expanded(variance+square(x*m.opt.Errors.ScaleSigma)))
	}
}

// origin says where the levels count from.
func (m *measurement) origin() {
	m.r.LevelOrigin = "shaft_top"
	if m.opt.HasOrigin {
		m.r.LevelOrigin = "lesser_trochanter"
	} else {
		m.r.AddReason(LevelOriginShaftTop)
	}
}

// extent sets the visible diaphysis and says what is cut off.
func (m *measurement) extent() {
	if m.d.cutDistal || m.opt.HasOrigin && m.d.cutProximal {
		m.r.AddReason(DiaphysisCut)
	}
	if !m.opt.HasScale {
		m.r.AddReason(ScaleNone)
	}
	origin := square(m.originSigma)
	from := 0.0 // both by definition: 20 mm below the origin, and the shaft's top
	if m.opt.HasOrigin && m.d.cutProximal {
		from = square(m.fromSigma) + origin
	}
	m.setLength(VisibleFrom, m.d.from, from)
	m.setLength(VisibleTo, m.d.to, square(m.toSigma)+origin)
}

// ended returns the variance of f, a function of the span, that comes from the
// ends of the diaphysis: each is moved inwards by its sigma, at least a level.
func (m *measurement) ended(x float64, f func(span) (float64, bool)) float64 {
	total := 0.0
	for i, sigma := range [2]geom.MM{m.fromSigma, m.toSigma} {
		if sigma == 0 {
			continue
		}
		in := span{m.d.from, m.d.to}
		move := max(sigma, m.Step)
		if i == 0 {
			in.from += move
		} else {
			in.to -= move
		}
		if y, ok := f(in); ok {
			total += square((y - x) * sigma / move)
		}
	}
	return total
}

// axis sets shaft_axis_deg.
func (m *measurement) axis() {
	x, g, ok := m.axisAngle(span{m.d.from, m.d.to})
	if !ok {
		return
	}
	moved := m.ended(x, func(in span) (float64, bool) {
		y, _, ok := m.axisAngle(in)
		return x + math.Remainder(y-x, math.Pi), ok
	})
	deg := 180 / math.Pi
	m.r.Set(ShaftAxis, x*deg, expanded(m.variance(g, m.opt.Errors)+moved)*deg)
}

// bow sets the bow_* columns.
func (m *measurement) bow() {
	m.r.BowPlane = "coronal"
	if m.opt.View == Lateral {
		m.r.BowPlane = "sagittal"
	}
	in := span{m.d.from, m.d.to}
	p, _ := m.midPoints(in)
	if in.to-in.from < leastBow || len(p) < leastPoints {
		m.r.AddReason(ShaftTooShort)
		return
	}
	k, g, ok := m.bowCurvature(in)
	if !ok {
		m.r.AddReason(NotConverged)
		return
	}
	moved := m.ended(k, func(in span) (float64, bool) {
		y, _, ok := m.bowCurvature(in)
		return y, ok
	})
	u95 := expanded(m.variance(g, m.opt.Errors) + moved)
	resolved := math.Abs(k) > max(u95, leastCurvature)
	if m.opt.HasScale {
		u95 := math.Hypot(u95, Coverage*k*m.opt.Errors.ScaleSigma)
		resolved = math.Abs(k) > max(u95, leastCurvature)
		m.r.Set(BowCurvature, 1000*k, 1000*u95)
		if resolved {
			m.r.Set(BowRadius, 1/math.Abs(k), u95/(k*k))
		} else {
			m.r.AddReason(BowNotResolved)
		}
	}
	m.setLength(BowSpan, in.to-in.from, square(m.fromSigma)+square(m.toSigma))
	if m.d.cutProximal || m.d.cutDistal {
		return
	}
	if x, g, ok := m.bowAngle(in); ok {
		moved := m.ended(x, func(in span) (float64, bool) {
			y, _, ok := m.bowAngle(in)
			return y, ok
		})
		deg := 180 / math.Pi
		m.r.Set(BowAngle, x*deg, expanded(m.variance(g, m.opt.Errors)+moved)*deg)
	}
	if b, ok := m.bowSagitta(in); ok {
		height := func(in span) (float64, bool) {
			b, ok := m.bowSagitta(in)
			return b.height, ok
		}
		ofHeight, ofApex := b.ragged()
		variance := m.variance(b.heightGrad, m.opt.Errors) + m.ended(b.height, height) + ofHeight
		if !resolved {
			variance *= square(straightCoverage)
		}
		m.setLength(BowSagitta, math.Abs(b.height), variance)
		if resolved { // a straight line has no apex
			apex := func(in span) (float64, bool) {
				b, ok := m.bowSagitta(in)
				return b.apex, ok
			}
			m.setLength(BowApex, b.apex, m.variance(b.apexGrad, m.opt.Errors)+m.ended(b.apex, apex)+ofApex+square(m.originSigma))
		}
	}
}

// setReading records a reading at a level that the origin and the scale hold
// in place; perScale is 1 for a length and 0 for a ratio.
func (m *measurement) setReading(q Quantity, v reading, level geom.MM, perScale float64) {
	e := m.opt.Errors
	m.r.Set(q, v.x, expanded(m.variance(v.grad, e)+
		square(v.slope*m.originSigma)+
		square((perScale*v.x-v.slope*level)*m.opt.Errors.ScaleSigma)))
}

// levels sets the columns at fixed levels below the lesser trochanter.
func (m *measurement) levels() {
	if !m.opt.HasOrigin || !m.opt.HasScale {
		return
	}
	for _, level := range Levels {
		at := geom.MM(level)
		seen := true
		for _, side := range [2]struct {
			positive bool
			sign     [4]float64
		}{{true, cortexPos}, {false, cortexNeg}} {
			q := CortexAt(m.opt.View, side.positive, level)
			if q == "" || m.opt.UnknownSides {
				continue
			}
			v, ok := m.readAt(at, side.sign)
			if ok {
				m.setReading(q, v, at, 1)
			}
			seen = seen && ok
		}
		outer, okOuter := m.readAt(at, outerBoth)
		canal, okCanal := m.readAt(at, innerBoth)
		if okOuter {
			m.setReading(OuterWidthAt(level), outer, at, 1)
		}
		if okCanal {
			m.setReading(CanalWidthAt(level), canal, at, 1)
		}
		if okOuter && okCanal {
			m.setReading(CorticalIndexAt(level), corticalIndex(outer, canal), at, 0)
		}
		if !seen || !okOuter || !okCanal {
			m.r.AddReason(LevelNotVisible)
		}
	}
}

// isthmus sets the isthmus_* columns.
func (m *measurement) isthmus() {
	e := m.opt.Errors
	found, ok := m.findIsthmus(m.d, e)
	if !ok {
		m.r.AddReason(IsthmusNotVisible)
		return
	}
	m.setLength(IsthmusLevel, found.level, square(found.levelSigma)+square(m.originSigma))
	m.setLength(IsthmusCanalWidth, found.canal.x, m.variance(found.canal.grad, e))
	outer, ok := m.readAt(found.level, outerBoth)
	if !ok {
		return
	}
	// The outer width changes along the stretch that the level is unsure by.
	change := 0.0
	for _, off := range [2]geom.MM{-found.levelSigma, found.levelSigma} {
		if beside, ok := m.readAt(found.level+off, outerBoth); ok {
			change = max(change, math.Abs(beside.x-outer.x))
		}
	}
	m.setLength(IsthmusOuterWidth, outer.x, m.variance(outer.grad, e)+square(change))
	index := corticalIndex(outer, found.canal)
	change *= found.canal.x / square(outer.x)
	m.r.Set(IsthmusCorticalIndex, index.x, expanded(m.variance(index.grad, e)+square(change)))
}
