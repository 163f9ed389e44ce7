package accuracy

import (
	"cmp"
	"math"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// leastOverlap is how much of a row's mid-line has to lie within the true shaft
// for the row to be of that femur. Half: a line that is mostly elsewhere
// measured something else.
const leastOverlap = 0.5

// pair is a true femur and the row of it, row −1 when it was not found.
type pair struct {
	truth, row int
	reversed   bool // the row's mid-line runs from distal to proximal
	swapped    bool // the row's positive edge is the truth's negative edge
}

// match pairs the femurs of a film with its rows so that each is used once, the
// greatest overlaps first.
func match(truth []simulate.FemurTruth, s geom.Spacing, rows []measure.Femur) []pair {
	if s.X <= 0 || s.Y <= 0 {
		s = geom.Spacing{X: 1, Y: 1}
	}
	type candidate struct {
		truth, row int
		inside     float64 // length of the row's mid-line within the true shaft
	}
	var all []candidate
	for t := range truth {
		line := toMM(truth[t].Midline, s)
		reach := halfWidth(line, &truth[t], s)
		for r := range rows {
			if !measured(&rows[r]) {
				continue
			}
			inside, total := overlap(toMM(rows[r].Geometry.Midline, s), line, reach)
			if total > 0 && inside >= leastOverlap*total {
				all = append(all, candidate{t, r, inside})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.inside, a.inside) })
	pairs := make([]pair, len(truth))
	for t := range pairs {
		pairs[t] = pair{truth: t, row: -1}
	}
	taken := make([]bool, len(rows))
	for _, c := range all {
		if pairs[c.truth].row >= 0 || taken[c.row] {
			continue
		}
		taken[c.row] = true
		p := &pairs[c.truth]
		p.row = c.row
		// A row that says it does not know the direction claims none.
		p.reversed = !slices.Contains(rows[c.row].Record.Reasons, measure.DirectionUnknown) &&
			opposed(toMM(rows[c.row].Geometry.Midline, s), toMM(truth[c.truth].Midline, s))
		p.swapped = crossed(rows[c.row].Geometry, &truth[c.truth], s)
	}
	return pairs
}

// measured says whether a row claims a femur at a place.
func measured(f *measure.Femur) bool {
	return f.Record.Status != measure.StatusNotMeasured && f.Geometry != nil && len(f.Geometry.Midline) > 1
}

func toMM(p []geom.PointPx, s geom.Spacing) []geom.PointMM {
	out := make([]geom.PointMM, len(p))
	for i, q := range p {
		out[i] = s.MM(q)
	}
	return out
}

// halfWidth returns the median distance from the true mid-line to the nearer
// outer edge, in mm.
func halfWidth(line []geom.PointMM, f *simulate.FemurTruth, s geom.Spacing) float64 {
	names, _ := measure.SideNames(f.View)
	edge := toMM(f.Contours["outer_"+names[0]], s)
	d := make([]float64, len(line))
	for i, p := range line {
		d[i] = distance(p, edge)
	}
	slices.Sort(d)
	return quantile(d, 0.5)
}

// overlap returns how much of line lies within reach of the true mid-line, and
// its whole length.
func overlap(line, truth []geom.PointMM, reach float64) (inside, total float64) {
	for i := 1; i < len(line); i++ {
		d := line[i].Sub(line[i-1]).Norm()
		total += d
		if distance(line[i].Add(line[i-1]).Mul(0.5), truth) <= reach {
			inside += d
		}
	}
	return inside, total
}

// distance returns how far p is from the polyline, infinite for no line.
func distance(p geom.PointMM, line []geom.PointMM) float64 {
	best := math.Inf(1)
	for i, a := range line {
		if i == 0 {
			best = p.Sub(a).Norm()
			continue
		}
		b := line[i-1]
		d := a.Sub(b)
		if n := d.Dot(d); n > 0 {
			t := min(max(p.Sub(b).Dot(d)/n, 0), 1)
			best = min(best, p.Sub(b.Add(d.Mul(t))).Norm())
		}
	}
	return best
}

// opposed says whether the two lines run in opposite directions.
func opposed(a, b []geom.PointMM) bool {
	return a[len(a)-1].Sub(a[0]).Dot(b[len(b)-1].Sub(b[0])) < 0
}

// crossed says whether a row's outer edges lie on each other's places. A row
// that does not name its edges by the truth's view cannot.
func crossed(g *measure.Geometry, f *simulate.FemurTruth, s geom.Spacing) bool {
	names, _ := measure.SideNames(f.View)
	pos, neg := "outer_"+names[0], "outer_"+names[1]
	far := func(got, want string) float64 {
		line, sum := toMM(f.Contours[want], s), 0.0
		for _, p := range g.Contours[got] {
			sum += distance(s.MM(p), line)
		}
		return sum
	}
	return len(g.Contours[pos]) > 0 && len(g.Contours[neg]) > 0 && far(pos, neg)+far(neg, pos) < far(pos, pos)+far(neg, neg)
}
