package measure

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

// Shaft is the mid-diaphyseal line of one femur with its four edges: levels
// every Step mm along the line, counted from the level origin once
// [Shaft.SetOrigin] has set it, from the first level before.
//
// Mid is the smoothed line; the measured mid-point of the outer cortices is
// Mid + Normal·(OuterPos − OuterNeg)/2.
//
// A Shaft remembers what it has found and is for one goroutine at a time.
type Shaft struct {
	Step        geom.MM
	S           []float64      // mm along the mid-line, ascending by Step
	Mid, Normal []geom.PointMM // Normal: unit, square to the mid-line, to the positive side

	// Distances in mm from Mid to each edge along +Normal (Pos) and −Normal
	// (Neg), and their standard uncertainties; NaN where the edge was not seen.
	OuterPos, OuterNeg, InnerPos, InnerNeg                     []float64
	SigmaOuterPos, SigmaOuterNeg, SigmaInnerPos, SigmaInnerNeg []float64

	line   midline
	edges  [4]edge
	origin geom.MM       // arc length on line at which S is 0
	sense  float64       // +1 when the positive side lies clockwise of the distal direction
	found  [2]*diaphysis // by findDiaphysis, without and with a level origin
}

const (
	// leastStep and mostStep in mm bound the number of levels.
	leastStep geom.MM = 0.05
	mostStep  geom.MM = 5

	// minShaft is the shortest stretch of shaft, in mm, that gets a mid-line:
	// shorter, a bone about 30 mm wide has no direction of its own.
	minShaft geom.MM = 20

	// The mid-line is settled when no place of it moves by more than this in a
	// round, in mm; the mid-points are measured from it once more, so that only
	// the direction of the normals, to a tenth of a degree, hangs on it. After
	// the last round a larger move is still accepted.
	midlineRounds    = 40
	midlineSettled   = 0.03
	midlineUnsettled = 0.2

	// originReach is how far in mm proximal of the shaft's first level the
	// mid-line is prolonged straight to reach the lesser trochanter.
	originReach geom.MM = 70
)

// NewShaft returns the mid-diaphyseal line of c and the distances of the edges
// from it, at levels every step mm. The line runs through the mid-points of
// the outer edges measured square to the line itself: normals are cast on a
// smoothed line, the mid-points between the outer edges smoothed again, until
// the line moves by less than 0.03 mm.
//
// step is 0.05 to 5 mm. Both outer edges must run side by side for at least
// 20 mm. Inner edges may
// be absent or incomplete. A canal wider than the bone around it, or of no
// width, is taken as not seen at that level.
//
// Errors: *Error with ShaftTooShort, EdgesUnclear (the outer edges do not run
// side by side), Degenerate (step, or slices of different lengths) or NotConverged.
func NewShaft(c Contours, step geom.MM) (*Shaft, error) {
	const op = "NewShaft"
	if !(leastStep <= step && step <= mostStep) {
		return nil, &Error{Op: op, Reason: Degenerate, Detail: fmt.Sprintf("step %g mm, want %g to %g", step, leastStep, mostStep)}
	}
	s := &Shaft{Step: step}
	for i, e := range []struct {
		name string
		edge Edge
	}{{"outer positive", c.OuterPos}, {"outer negative", c.OuterNeg}, {"inner positive", c.InnerPos}, {"inner negative", c.InnerNeg}} {
		var err error
		if s.edges[i], err = newEdge(op, e.name, e.edge); err != nil {
			return nil, err
		}
	}
	frame, ok := newChordFrame(s.edges[0], s.edges[1])
	if !ok {
		return nil, &Error{Op: op, Reason: EdgesUnclear, Detail: "outer edges do not run side by side"}
	}
	s.sense = math.Copysign(1, clockwise(frame.axis).Dot(frame.positive))
	var unsettled *Error
	for cut := geom.MM(0); ; cut += endCut {
		err := s.settle(op, frame, cut)
		if err == nil {
			break
		}
		if !errors.As(err, &unsettled) || unsettled.Reason != NotConverged || cut >= castReach {
			return nil, err
		}
	}
	// Until a landmark sets the origin, levels count from the first place
	// where both outer edges are met.
	s.level()
	if len(s.S) == 0 {
		return nil, &Error{Op: op, Reason: ShaftTooShort, Detail: "no level with both outer edges"}
	}
	s.origin += s.S[0]
	s.level()
	return s, nil
}

// endCut is by how many mm more mid-points are left out at both ends, up to
// castReach, where the mid-line does not settle: an edge that leaves a widening
// bone steeply throws it from side to side. Over these it goes on straight.
const endCut geom.MM = 5

// settle iterates the mid-line, without the mid-points within cut of the ends of
// the outer edges.
func (s *Shaft) settle(op string, frame chordFrame, cut geom.MM) error {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, e := range s.edges[:2] {
		for _, q := range e.p {
			x, _ := frame.to(q)
			lo, hi = min(lo, x), max(hi, x)
		}
	}
	s.line = midline{
		p: []geom.PointMM{frame.from(lo, 0), frame.from(hi, 0)},
		t: []geom.PointMM{frame.axis, frame.axis},
		s: []geom.MM{0, hi - lo},
	}
	var before graph
	move, share := math.Inf(1), 1.0
	for round := 0; round < midlineRounds && move > midlineSettled; round++ {
		mid := s.castMid()
		if cut > 0 {
			mid = slices.DeleteFunc(mid, func(q geom.PointMM) bool {
				x, _ := frame.to(q)
				return x < lo+cut || x > hi-cut
			})
		}
		if n := len(mid); n < 4 || mid[n-1].Sub(mid[0]).Norm() < minShaft {
			return &Error{Op: op, Reason: ShaftTooShort, Detail: fmt.Sprintf("%d levels with both outer edges", n)}
		}
		g, ok := smoothMidline(frame, mid, s.Step)
		if !ok {
			return &Error{Op: op, Reason: ShaftTooShort, Detail: "too few levels with both outer edges"}
		}
		if round > 0 {
			// Where the bone widens, a normal that tilts shifts its mid-point
			// the other way: full steps can swing past the line.
			moved := g.approach(before, share)
			if moved > 0.7*move {
				share = max(share/2, 1./8)
			}
			move = moved
		}
		before, s.line = g, g.line()
	}
	if move > midlineUnsettled {
		return &Error{Op: op, Reason: NotConverged, Detail: fmt.Sprintf("mid-line still moves by %.2f mm", move)}
	}
	return nil
}

// castReach is how far in mm beyond the mid-line's ends normals are still cast:
// there the slanted end of one edge can reach past the other's.
const castReach geom.MM = 20

// castMid returns the mid-points of the outer edges square to the line, every
// Step mm, where both edges are met.
func (s *Shaft) castMid() []geom.PointMM {
	var mid []geom.PointMM
	pos, neg := caster{edge: s.edges[0]}, caster{edge: s.edges[1]}
	for at := -castReach; at <= s.line.length()+castReach; at += s.Step {
		q, t := s.line.at(at)
		n := s.normal(t)
		a, _ := pos.cast(q, t, n)
		b, _ := neg.cast(q, t, n)
		if a > b { // false for NaN
			mid = append(mid, q.Add(n.Mul((a+b)/2)))
		}
	}
	return mid
}

// normal returns the unit vector square to the tangent t, to the positive side.
func (s *Shaft) normal(t geom.PointMM) geom.PointMM { return clockwise(t).Mul(s.sense) }

// level casts the levels anew at whole multiples of Step from the origin, from
// the first to the last with both outer edges.
func (s *Shaft) level() {
	s.found = [2]*diaphysis{}
	k0 := math.Ceil((-castReach-s.origin)/s.Step - 1e-9)
	k1 := math.Floor((s.line.length()+castReach-s.origin)/s.Step + 1e-9)
	n := int(k1-k0) + 1
	s.S = make([]float64, n)
	s.Mid, s.Normal = make([]geom.PointMM, n), make([]geom.PointMM, n)
	distance, sigma := s.distances(), s.sigmas()
	for e := range s.edges {
		*distance[e], *sigma[e] = make([]float64, n), make([]float64, n)
	}
	casters := [4]caster{{edge: s.edges[0]}, {edge: s.edges[1]}, {edge: s.edges[2]}, {edge: s.edges[3]}}
	first, last := n, -1
	for i := range n {
		s.S[i] = (k0 + float64(i)) * s.Step
		q, t := s.line.at(s.S[i] + s.origin)
		s.Mid[i], s.Normal[i] = q, s.normal(t)
		for e := range casters {
			out := s.Normal[i]
			if e%2 == 1 {
				out = out.Mul(-1)
			}
			(*distance[e])[i], (*sigma[e])[i] = casters[e].cast(q, t, out)
		}
		s.unsee(i)
		if s.OuterPos[i]+s.OuterNeg[i] > 0 {
			first, last = min(first, i), i
		}
	}
	if last < first { // settle has seen levels, so rounding at most gets here
		first, last = 0, -1
	}
	s.S = s.S[first : last+1]
	s.Mid, s.Normal = s.Mid[first:last+1], s.Normal[first:last+1]
	for e := range s.edges {
		*distance[e] = (*distance[e])[first : last+1]
		*sigma[e] = (*sigma[e])[first : last+1]
	}
}

// unsee blanks edges at level i that cannot be: a bone without width, a cortex
// without thickness, a canal without width.
func (s *Shaft) unsee(i int) {
	nan := math.NaN()
	if s.OuterPos[i]+s.OuterNeg[i] <= 0 {
		s.OuterPos[i], s.OuterNeg[i] = nan, nan
	}
	if s.InnerPos[i] >= s.OuterPos[i] {
		s.InnerPos[i] = nan
	}
	if s.InnerNeg[i] >= s.OuterNeg[i] {
		s.InnerNeg[i] = nan
	}
	if s.InnerPos[i]+s.InnerNeg[i] <= 0 {
		s.InnerPos[i], s.InnerNeg[i] = nan, nan
	}
}

// distances and sigmas list the per-level slices in the order of edges.
func (s *Shaft) distances() [4]*[]float64 {
	return [4]*[]float64{&s.OuterPos, &s.OuterNeg, &s.InnerPos, &s.InnerNeg}
}

func (s *Shaft) sigmas() [4]*[]float64 {
	return [4]*[]float64{&s.SigmaOuterPos, &s.SigmaOuterNeg, &s.SigmaInnerPos, &s.SigmaInnerNeg}
}
