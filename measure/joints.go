package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	// proximalFrom and proximalTo are the levels in mm between which the
	// mid-points give the proximal shaft axis, and bowReach the distance in mm
	// between the two mid-points of either line of bow_angle_50mm_deg:
	// definitions of the contract.
	proximalFrom, proximalTo geom.MM = 20, 80
	bowReach                 geom.MM = 50

	// axisSeen is the share of the levels of a stretch whose mid-points must
	// have been seen for its least-squares line, mostSeen for what is built on
	// single places of it.
	axisSeen, mostSeen = 2.0 / 3, 0.8

	// mostProlonged is how far in mm the mid-line is prolonged up to the level
	// origin, by a local quadratic (tricube weights) of half-width
	// prolongHalfWidth mm. Levels less than prolongBelow mm under the origin do
	// not count: there the medial outline is the trochanter's own.
	mostProlonged    geom.MM = 12
	prolongBelow     geom.MM = 10
	prolongHalfWidth geom.MM = 40

	// prolongSigma is the standard uncertainty in mm of the mid-point so found.
	// On 50 simulated femora cut 10 mm below the tip it was off by 0.07 mm (rms);
	// the rest is a reserve for real ones, whose mid-line bends more where the
	// trochanters begin (no source).
	prolongSigma geom.MM = 0.1
)

// MeasureJoints fills r with the quantities that need landmarks of the hip or
// of the knee, each with its expanded uncertainty, and with the reasons for
// what is absent of them on an AP view. Angles are those of the film's plane:
//
//   - neck-shaft angle: from the distal direction of the proximal shaft axis
//     (least-squares line through the mid-points 20 to 80 mm below the level
//     origin) to the direction from the neck's middle to the head's centre;
//   - femoral offset: distance of the head's centre from that axis;
//   - anatomic lateral distal femoral angle: between the proximal direction of
//     the axis of the diaphysis' last quarter and the tangent to both condyles,
//     towards lateral;
//   - mechanical lateral distal femoral angle: the same of the line from the
//     knee's centre, midway between the places that the tangent touches, to the
//     head's centre;
//   - anatomic-mechanical angle: from the axis of the whole diaphysis to that
//     line, + where it leans medially, so that on a straight femur it is the
//     mechanical less the anatomic lateral distal angle;
//   - the bow's angle between the line through the mid-points 0 and 50 mm below
//     the origin and the line through those 50 and 100 mm above the lateral
//     condyle's distal end, counted along that line;
//   - head diameter and canal flare index.
//
// An axis needs the mid-points of two thirds of its stretch. What has a
// lateral or medial side is left out where opt.UnknownSides, all but the head's
// diameter and the canal flare index on other views than AP.
func (s *Shaft) MeasureJoints(r *Record, opt ShaftOptions, j Joints) {
	m := joints{measurement{Shaft: s, r: r, opt: opt, d: s.diaphysis(opt.HasOrigin)}, j}
	m.ends()
	m.head()
	m.canalFlare()
	if opt.View != AP {
		return
	}
	m.hip()
	if opt.UnknownSides {
		return
	}
	m.knee()
	m.bow50()
	m.trochanter()
}

// joints is one call of MeasureJoints.
type joints struct {
	measurement
	Joints
}

// missing adds a reason to an AP row.
func (m *joints) missing(why Reason) {
	if m.opt.View == AP {
		m.r.AddReason(why)
	}
}

func (m *joints) head() {
	if m.Head == nil || m.Head.R <= 0 {
		m.missing(HeadNotFound)
	} else {
		m.setLength(HeadDiameter, 2*m.Head.R, square(2*m.Head.SigmaR))
	}
}

// canalFlare sets canal_flare_index. The canal opens fast towards the
// trochanters: the level origin's uncertainty acts through that slope, taken
// to the first level below the origin at which the canal was seen.
func (m *joints) canalFlare() {
	if !m.opt.HasOrigin {
		return
	}
	if m.CanalAbove == nil {
		m.missing(CanalAboveNotVisible)
		return
	}
	e := m.opt.Errors
	found, ok := m.findIsthmus(m.d, e)
	if !ok {
		return // Measure has said so
	}
	slope := 0.0
	for i, width := range m.CanalWidth() {
		if m.S[i] >= 0 && !math.IsNaN(width) {
			slope = (width - m.CanalAbove.X) / (m.S[i] - canalAboveLevel)
			break
		}
	}
	x := m.CanalAbove.X / found.canal.x
	above := square(m.CanalAbove.U95/Coverage) + square(slope*m.originSigma)
	u95 := expanded((above + square(x)*m.variance(found.canal.grad, e)) / square(found.canal.x))
	if u95 > flareVague*x {
		m.missing(CanalAboveNotVisible)
		return
	}
	m.r.Set(CanalFlareIndex, x, u95)
}

// flareVague is the share of the canal flare index that its uncertainty may be:
// beyond, the index could be of any class in print (3 to 4.7 is the middle one,
// Noble 1988).
const flareVague = 0.25

// canalAboveLevel is the level in mm of [Joints.CanalAbove].
const canalAboveLevel geom.MM = -20

// hip sets what the proximal shaft axis and the head give.
func (m *joints) hip() {
	if m.Neck == nil {
		m.missing(NeckNotFound)
	}
	if !m.opt.HasOrigin || m.Head == nil {
		return // both said
	}
	stretch := span{proximalFrom, proximalTo}
	axis, ok := m.fitAxis(stretch)
	if !ok {
		m.missing(AxisNotVisible)
		return
	}
	// Errors of origin and scale move the stretch.
	moved := func(x float64, f func(axisFit, Joints) float64) (total float64) {
		for _, by := range [2]span{{m.originSigma, m.originSigma},
			{stretch.from * m.opt.Errors.ScaleSigma, stretch.to * m.opt.Errors.ScaleSigma}} {
			for _, sign := range [2]float64{1, -1} { // where the one way leaves the shaft, the other
				if other, ok := m.fitAxis(span{stretch.from + sign*by.from, stretch.to + sign*by.to}); ok {
					total += square(f(other, m.Joints) - x)
					break
				}
			}
		}
		return total
	}
	offset := func(a axisFit, j Joints) float64 { return math.Abs(j.Head.C.Sub(a.P).Cross(a.D)) }
	x := offset(axis, m.Joints)
	along := m.Head.C.Sub(axis.P).Dot(axis.D)
	m.setLength(FemoralOffset, x, m.variance(axis.shift(m.Shaft, along), m.opt.Errors)+
		moved(x, offset)+m.scattered(func(j Joints) float64 { return offset(axis, j) }))
	if m.Neck == nil {
		return
	}
	angle := func(a axisFit, j Joints) float64 { return between(a.D, j.Head.C.Sub(j.Neck.P)) }
	x = angle(axis, m.Joints)
	medial := m.Head.C.Sub(m.Neck.P).Dot(m.normal(axis.D)) < 0
	if x <= math.Pi/2 || !medial && !m.opt.UnknownSides {
		m.missing(NeckNotFound) // what was taken for it does not run up to the head
		return
	}
	variance := m.variance(axis.turn(m.Shaft, 1), m.opt.Errors) + moved(x, angle) +
		m.scattered(func(j Joints) float64 { return angle(axis, j) })
	if expanded(variance) > neckVague {
		m.missing(NeckNotFound)
		return
	}
	m.setAngle(NeckShaftAngle, x, variance)
}

// neckVague is what the neck-shaft angle's uncertainty may be, in radians: beyond,
// films of other makers had more than one angle in twenty 2.5° off.
const neckVague = 3.8 * math.Pi / 180

// knee sets the angles with the condyles' tangent or the mechanical axis.
func (m *joints) knee() {
	if m.CondyleLateral == nil || m.CondyleMedial == nil {
		m.missing(CondylesNotFound)
		return
	}
	tangent := func(j Joints) geom.PointMM { return j.CondyleLateral.P.Sub(j.CondyleMedial.P) }
	mechanical := func(j Joints) geom.PointMM {
		return j.Head.C.Sub(j.CondyleLateral.P.Add(j.CondyleMedial.P).Mul(0.5))
	}
	whole := !m.d.cutProximal && !m.d.cutDistal
	if whole {
		m.toAxis(AnatomicLateralDistal, func(in span) span { return span{in.to - (in.to-in.from)/4, in.to} },
			func(a axisFit, j Joints) float64 { return between(a.D.Mul(-1), tangent(j)) })
	}
	if m.Head == nil {
		return
	}
	angle := func(j Joints) float64 { return between(mechanical(j), tangent(j)) }
	m.setAngle(MechanicalLateralDistal, angle(m.Joints), m.scattered(angle))
	if whole {
		m.toAxis(AnatomicMechanicalAngle, func(in span) span { return in },
			func(a axisFit, j Joints) float64 {
				v := mechanical(j)
				return math.Atan2(-v.Dot(m.normal(a.D)), -v.Dot(a.D))
			})
	}
}

// toAxis sets an angle between the axis of a part of the diaphysis and what the
// landmarks give.
func (m *joints) toAxis(q Quantity, part func(span) span, angle func(axisFit, Joints) float64) {
	in := span{m.d.from, m.d.to}
	axis, ok := m.fitAxis(part(in))
	if !ok {
		m.missing(AxisNotVisible)
		return
	}
	x := angle(axis, m.Joints)
	moved := m.ended(x, func(in span) (float64, bool) {
		a, ok := m.fitAxis(part(in))
		if !ok {
			return 0, false
		}
		return angle(a, m.Joints), true
	})
	m.setAngle(q, x, m.variance(axis.turn(m.Shaft, 1), m.opt.Errors)+moved+
		m.scattered(func(j Joints) float64 { return angle(axis, j) }))
}

// setAngle records an angle in radians with its variance.
func (m *measurement) setAngle(q Quantity, x, variance float64) {
	deg := 180 / math.Pi
	m.r.Set(q, x*deg, expanded(variance)*deg)
}

// scattered returns the variance of f that comes from the landmarks: each is
// moved by its sigma along both axes of the film.
func (m *joints) scattered(f func(Joints) float64) float64 {
	x, total := f(m.Joints), 0.0
	for _, by := range [2]geom.PointMM{{X: 1}, {Y: 1}} {
		if h := m.Head; h != nil {
			j := m.Joints
			moved := *h
			moved.C = h.C.Add(by.Mul(h.SigmaC))
			j.Head = &moved
			total += square(f(j) - x)
		}
		for _, mark := range []func(*Joints) **Landmark{
			func(j *Joints) **Landmark { return &j.Neck },
			func(j *Joints) **Landmark { return &j.LesserTrochanter },
			func(j *Joints) **Landmark { return &j.CondyleLateral },
			func(j *Joints) **Landmark { return &j.CondyleMedial },
		} {
			j := m.Joints
			at := mark(&j)
			if *at == nil {
				continue
			}
			*at = &Landmark{P: (*at).P.Add(by.Mul((*at).Sigma)), Sigma: (*at).Sigma}
			total += square(f(j) - x)
		}
	}
	return total
}

// between returns the angle between two directions in [0, π].
func between(a, b geom.PointMM) float64 { return math.Atan2(math.Abs(a.Cross(b)), a.Dot(b)) }

// bow50 sets bow_angle_50mm_deg.
func (m *joints) bow50() {
	if !m.opt.HasOrigin || m.CondyleLateral == nil {
		return // both said
	}
	x, g, ok := m.bow50At(0, m.CondyleLateral.P)
	if !ok {
		m.missing(BowLinesNotVisible)
		return
	}
	variance := m.variance(g, m.opt.Errors) + m.scattered(func(j Joints) float64 {
		if y, _, ok := m.bow50At(0, j.CondyleLateral.P); ok {
			return y
		}
		return x
	})
	if m.originSigma > 0 {
		// The first line alone moves with the origin; upwards it may leave the
		// shaft.
		for _, by := range [2]geom.MM{m.originSigma, -m.originSigma} {
			if y, _, ok := m.bow50At(by, m.CondyleLateral.P); ok {
				variance += square(y - x)
				break
			}
		}
	}
	if m.S[0] > 0 && m.opt.Errors != (ErrorModel{}) {
		variance += square(prolongSigma / bowReach)
	}
	m.setAngle(BowAngle50, x, variance)
}

// bow50At returns the angle in radians between the line through the mid-points
// at the level origin and 50 mm below it and the line through those 50 and
// 100 mm above the lateral condyle's distal end, + apex to the positive side.
// Heights above the condyle are counted along that second line. Between the two
// points of a line four fifths of the mid-points must have been seen: where an
// edge was lost and found again, it may be another's. A shaft whose first level
// lies up to 12 mm below the origin is prolonged to it.
func (s *Shaft) bow50At(origin geom.MM, condyle geom.PointMM) (x float64, g gradient, ok bool) {
	offset := s.midOffset()
	var p [4]midPoint
	if p[0], ok = s.prolongedMidPoint(origin, offset); !ok {
		return 0, g, false
	}
	if p[1], ok = s.midPointAt(origin+bowReach, offset); !ok {
		return 0, g, false
	}
	last := s.S[len(s.S)-1]
	level, settled := last+bowReach, false
	for range 40 {
		var okA, okB bool
		p[2], okA = s.midPointAt(level-2*bowReach, offset)
		p[3], okB = s.midPointAt(level-bowReach, offset)
		if !okA || !okB {
			return 0, g, false
		}
		along := p[3].Sub(p[2].PointMM).Unit()
		move := condyle.Sub(p[3].PointMM).Dot(along) - bowReach
		if settled = math.Abs(move) < 1e-6; settled {
			break
		}
		level = min(level+move, last+bowReach)
	}
	if !settled {
		return 0, g, false
	}
	if !s.seen(span{max(origin, s.S[0]), origin + bowReach}, mostSeen) || !s.seen(span{level - 2*bowReach, level - bowReach}, mostSeen) {
		return 0, g, false
	}
	a, b := p[1].Sub(p[0].PointMM), p[3].Sub(p[2].PointMM)
	g = s.newGradient()
	p[0].addTo(g, -1/a.Norm())
	p[1].addTo(g, 1/a.Norm())
	p[2].addTo(g, 1/b.Norm())
	p[3].addTo(g, -1/b.Norm())
	return -s.sense * float64(SignedAngle(a, b)), g, true
}

// prolongedMidPoint is midPointAt that also reaches above the first level: along
// the tangent of a local quadratic, where the bow of the diaphysis goes on.
func (s *Shaft) prolongedMidPoint(at geom.MM, offset []float64) (midPoint, bool) {
	if at >= s.S[0] {
		return s.midPointAt(at, offset)
	}
	from := max(s.S[0], prolongBelow)
	o, t := s.line.at(from + s.origin)
	n := s.normal(t)
	d := s.diaphysis(true)
	bow, _, _ := s.bowCurvature(span{d.from, d.to}) // 0 where there is none
	drop := func(x geom.MM) geom.MM { return -bow * x * x / 2 }
	along, across := make([]geom.MM, len(offset)), make([]geom.MM, len(offset))
	for i := range offset {
		p := s.Mid[i].Add(s.Normal[i].Mul(offset[i])).Sub(o)
		along[i] = s.Mid[i].Sub(o).Dot(t)
		across[i] = p.Dot(n) - drop(along[i])
		if s.S[i] < from {
			across[i] = math.NaN()
		}
	}
	fit, ok := localFit(along, across, 0, prolongHalfWidth, 2)
	up := from - at
	if !ok || up > mostProlonged {
		return midPoint{}, false
	}
	for i := range fit.value {
		fit.value[i] -= up * fit.slope[i]
	}
	shift, _ := fit.apply(across)
	return midPoint{PointMM: o.Sub(t.Mul(up)).Add(n.Mul(shift + drop(up))), fit: fit}, true
}
