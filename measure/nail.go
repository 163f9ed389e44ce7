package measure

import (
	"fmt"
	"math"

	"shaftgauge/measure/geom"
)

// Nail is one intramedullary nail of the user's list: an arc of constant
// radius.
type Nail struct {
	Name             string  `json:"name"`
	RadiusMM         float64 `json:"radius_mm"`          // of its centre line; very large for a straight one
	LengthMM         float64 `json:"length_mm"`          // of the part in the canal, from the entry level to the tip
	DistalDiameterMM float64 `json:"distal_diameter_mm"` // at the tip
}

// The dimensions in mm that a nail can have.
const (
	leastNailRadius, mostNailRadius     = 100, 1e6
	leastNailLength, mostNailLength     = 50, 600
	leastNailDiameter, mostNailDiameter = 4, 30
)

// Validate reports the first dimension that no nail has.
func (n Nail) Validate() error {
	for _, d := range []struct {
		name      string
		x, lo, hi float64
	}{
		{"radius_mm", n.RadiusMM, leastNailRadius, mostNailRadius},
		{"length_mm", n.LengthMM, leastNailLength, mostNailLength},
		{"distal_diameter_mm", n.DistalDiameterMM, leastNailDiameter, mostNailDiameter},
	} {
		if !(d.lo <= d.x && d.x <= d.hi) {
			return fmt.Errorf("measure: nail %q: %s = %g, want %g to %g", n.Name, d.name, d.x, d.lo, d.hi)
		}
	}
	return nil
}

const (
	// nailEntry is the level in mm at which a nail enters the canal, and
	// nailEntryReach how far below it the first visible canal may begin.
	nailEntry, nailEntryReach geom.MM = 20, 20
	// nailGuide is the length of canal in mm that sets the nail's direction at
	// the entry.
	nailGuide geom.MM = 100
)

// FitNail lays a nail into the canal of a femur on a lateral film and returns
// the gap left between its front and the anterior inner cortex at its tip,
// negative where it would pass through. By definition here:
//
//   - the nail enters in the middle of the canal 20 mm below the level origin,
//     or at the first level below, within 20 mm, at which the canal is seen;
//   - there it is tangent to the canal's centre line, which is the arc fitted to
//     the mid-points of the inner edges over the 100 mm from the entry;
//   - from there its centre line is an arc of its own radius, apex anterior, as
//     long as LengthMM. It does not bend, and nothing pushes it;
//   - the gap is the distance from the centre line's end to the anterior inner
//     edge, square to the nail, less half the distal diameter.
//
// This is geometry in the film's plane, no plan of an operation: which nail is
// used, and where it enters, is the surgeon's to say.
//
// The gap's expanded uncertainty is that of the inner edges, of the level origin
// and of the scale (the nail has its true size, whatever the film's).
//
// Reasons: NailTipNotVisible where the canal was not seen from the entry to the
// tip; empty with no fit on other views than the lateral, or without an origin,
// a scale or known sides, of which the row has its reasons.
func (s *Shaft) FitNail(n Nail, opt ShaftOptions) (NailFit, Reason) {
	if opt.View != Lateral || opt.UnknownSides || !opt.HasOrigin || !opt.HasScale || n.Validate() != nil {
		return NailFit{}, ""
	}
	entry, ok := s.nailEntry()
	if !ok {
		return NailFit{}, NailTipNotVisible
	}
	x, g, ok := s.tipGap(n, entry)
	if !ok {
		return NailFit{}, NailTipNotVisible
	}
	e := opt.Errors
	variance := s.variance(g, e)
	for _, sign := range [2]float64{1, -1} { // where the one way leaves the canal, the other
		if y, _, ok := s.tipGap(n, entry+sign*e.OriginSigma); ok {
			variance += square(y - x)
			break
		}
	}
	if k := 1 + e.ScaleSigma; k > 1 { // a larger bone is a smaller nail, seen larger
		smaller := Nail{n.Name, n.RadiusMM / k, n.LengthMM / k, n.DistalDiameterMM / k}
		if y, _, ok := s.tipGap(smaller, entry); ok {
			variance += square(y*k - x)
		}
	}
	return NailFit{Name: n.Name, TipGap: Value{X: x, U95: expanded(variance)}}, ""
}

// nailEntry returns the level at which nails enter.
func (s *Shaft) nailEntry() (geom.MM, bool) {
	for i, at := range s.S {
		if at >= nailEntry && s.InnerPos[i]+s.InnerNeg[i] > 0 { // false for NaN
			return at, at <= nailEntry+nailEntryReach
		}
	}
	return 0, false
}

// tipGap returns the gap at the tip of a nail that enters at a level, with its
// gradient to the edges.
func (s *Shaft) tipGap(n Nail, entry geom.MM) (x float64, g gradient, ok bool) {
	// The canal's centre line over the guide.
	var p []geom.PointMM
	var level []int
	for i, at := range s.S {
		if width := s.InnerPos[i] + s.InnerNeg[i]; at >= entry && at <= entry+nailGuide && width > 0 {
			p = append(p, s.Mid[i].Add(s.Normal[i].Mul((s.InnerPos[i]-s.InnerNeg[i])/2)))
			level = append(level, i)
		}
	}
	if float64(len(p)) < mostSeen*nailGuide/s.Step {
		return 0, g, false
	}
	fit, err := fitArc(p, nil)
	if err != nil {
		return 0, g, false
	}
	// Entry and direction there, and the nail from there on.
	start, along := fit.arc().nearest(p[0])
	front := s.normal(along)
	sin, cos := math.Sincos(n.LengthMM / n.RadiusMM)
	tip := start.Add(along.Mul(n.RadiusMM * sin)).Sub(front.Mul(n.RadiusMM * (1 - cos)))
	tipAlong := along.Mul(cos).Sub(front.Mul(sin))
	tipFront := front.Mul(cos).Add(along.Mul(sin))

	// The anterior inner edge, where it was seen, in the frame of the tip.
	var u, v []float64
	var seen []int
	near := 0
	for i := range s.S {
		if math.IsNaN(s.InnerPos[i]) {
			continue
		}
		d := s.Mid[i].Add(s.Normal[i].Mul(s.InnerPos[i])).Sub(tip)
		u, v, seen = append(u, d.Dot(tipAlong)), append(v, d.Dot(tipFront)), append(seen, i)
		if last := len(u) - 1; math.Abs(u[last]) < math.Abs(u[near]) {
			near = last
		}
	}
	if near == 0 || near == len(u)-1 || seen[near+1]-seen[near-1] != 2 {
		return 0, g, false // the tip lies beside what was seen
	}
	edge, ok := localFit(u, v, 0, max(levelHalfWidth, 2.5*s.Step), 1)
	if !ok {
		return 0, g, false
	}
	x, _ = edge.apply(v)
	x -= n.DistalDiameterMM / 2

	g = s.newGradient()
	for k, w := range edge.value {
		g[2][seen[edge.first+k]] += w
	}
	// A shift of the entry carries the tip along, a turn there swings it.
	shift, turn := fit.influence(start, along)
	lever := tip.Sub(start).Dot(tipAlong)
	for j, i := range level {
		k := -(shift[j]*cos + turn[j]*lever)
		g[2][i] += k / 2
		g[3][i] -= k / 2
	}
	return x, g, true
}
