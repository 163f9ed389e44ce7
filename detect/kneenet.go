package detect

import (
	_ "embed"
	"math"

	"shaftgauge/measure/geom"
)

//go:embed knee.onnx
var kneeONNX []byte

// kneeNet places the lateral condyle, the medial condyle and the middle of the
// knee on a patch around a frontal knee.
var kneeNet = patchNetwork{network: newNetwork("knee", kneeONNX), rows: 96, cols: 128, marks: 3, mm: 1.1, row: 60, col: 63.5}

const (
	kneeHint     = 0.1   // probability of the clearest of the knee's landmarks from which the knee is looked for
	kneeSeen     = 0.35  // from which it is there, where the view is lateral
	kneeMean     = 0.25  // and of the mean of all
	kneeFrontal  = 0.1   // of a frontal view, from which the patch is asked
	kneeThere    = 0.5   // that the patch shows a knee
	condyleThere = 0.12  // and a condyle: less where it is dark than where it is off the film
	kneeHalves   = 9.0   // half widths of the shaft from the mask's end to the knee, at most
	kneeAxisFrom = 150.0 // mm above the knee, from where
	kneeAxisTo   = 90.0  // to where the shaft's line is carried down to it
	kneeAgain    = 6.0   // mm by which a knee may lie off the level that its patch was laid by
)

// knee returns the knee at the end of the shaft c: where the locating network saw
// it and, on a frontal view, where the patch there shows it.
func (p planes) knee(c candidate, g grid, reduced *plane, sp geom.Spacing) (e distalEnd, err error) {
	end := c.line[len(c.line)-1]
	var w, top float64
	for k := markCondyleLateral; k <= markKnee; k++ {
		q, prob := p.mark(k, end, kneeHalves*c.half, g)
		w += prob
		top = math.Max(top, prob)
		e.at = e.at.Add(q.Mul(prob))
	}
	if top < kneeHint {
		return e, nil
	}
	e.at = e.at.Mul(1 / w)
	e.flare, e.seen = frontalFlare, top >= kneeSeen && w/3 >= kneeMean
	if c.frontal < 0.5 {
		e.flare = lateralFlare
	}
	if c.frontal < kneeFrontal {
		return e, nil
	}
	marks, err := kneeMarks(newMidline(c.line, levelStep), e.at, c.clockwise, reduced, sp)
	if err != nil || marks == nil {
		e.seen = e.seen && c.frontal < 0.5
		return e, err
	}
	e.flare, e.seen, e.at = frontalFlare, true, marks[2].at
	if math.Min(marks[0].there, marks[1].there) >= condyleThere {
		e.lateral, e.medial = &marks[0], &marks[1]
	}
	return e, nil
}

// kneeMarks returns the lateral condyle, the medial condyle and the middle of the
// knee near at, at the end of the shaft m; nil where no knee is there. clockwise
// is the probability that lateral lies clockwise of proximal; where it does not
// tell, both are tried.
func kneeMarks(m midline, at geom.PointMM, clockwise float64, reduced *plane, sp geom.Spacing) (best []patchMark, err error) {
	ways := []bool{clockwise < 0.5}
	if clockwise < facingProb && clockwise > 1-facingProb {
		ways = append(ways, clockwise >= 0.5)
	}
	sure := 0.0
	for _, medialClockwise := range ways {
		q := at
		for range 2 {
			level := m.level(q)
			from, down, ok := m.chord(level-int(kneeAxisFrom/m.step), level-int(kneeAxisTo/m.step))
			if !ok {
				break
			}
			found, _, err := kneeNet.find(kneeNet.frame(from, down, q, medialClockwise), reduced, sp)
			if err != nil {
				return nil, err
			}
			if found[2].there < kneeThere {
				break
			}
			if there := found[0].there + found[1].there; best == nil || there > sure {
				best, sure = found, there
			}
			off := found[2].at.Sub(q).Norm()
			if q = found[2].at; off < kneeAgain {
				break
			}
		}
	}
	return best, nil
}

// level returns the index that the level of q would have on m carried on
// straight beyond its end.
func (m midline) level(q geom.PointMM) int {
	last := len(m.p) - 1
	along := m.p[last].Sub(m.p[max(0, last-10)]).Unit()
	return last + int(q.Sub(m.p[last]).Dot(along)/m.step)
}
