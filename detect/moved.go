package detect

import (
	"math"
	"slices"

	"shaftgauge/measure/geom"
)

const (
	moveReach   = 20   // levels of an edge on either side of the place that it is looked at
	moveWithin  = 40   // levels that they lie on,
	moveFound   = 10   // of them, at least
	moveOblique = 20   // levels from where one edge moves to where the other does: breaks are oblique, parts overlap
	moveEvery   = 4    // of these, apart
	moveWidest  = 1.35 // times the shaft's width: there it has begun to widen
	moveFlank   = 10   // levels below the trochanter that are left out: its flank is steep on one edge, the flare on the other
	moveTop     = 30   // levels left out where no trochanter is known: it may stand there
	moveParams  = 8
	bentParams  = 5 // of an edge alone that bends smoothly

	// Of 123 shafts of real surfaces that were cut and moved by 3 mm or 5 degrees at least,
	// 84 are told with these; of 600 whole ones of four makings, two with a nail and steep
	// edges beside it.
	moveSharp = 1.75
	moveStep  = 2.0 // mm
	moveAngle = 4.0 * math.Pi / 180
	farSharp  = 1.25
	farStep   = 6.0 // mm
	farAngle  = 15.0 * math.Pi / 180
)

// move is the step in mm and the angle in radians by which both outer edges of a shaft
// leave their course at one place, each at a level of its own: those of a part that has
// moved as it is. sharp is how much closer that follows both edges than a smooth bend of
// each does, the root of the ratio of the sums of squares.
type move struct{ step, angle, sharp float64 }

// parts tells whether no whole bone has such a move.
func (m move) parts() bool {
	step, angle := math.Abs(m.step), math.Abs(m.angle)
	return m.sharp > moveSharp && (step > moveStep || angle > moveAngle) || m.sharp > farSharp && (step > farStep || angle > farAngle)
}

// moved tells whether below some place of the shaft both outer edges go on beside where
// those above point to. from is the first level of the shaft.
func (t *shaftTrace) moved(from int) bool {
	edges := t.outerPoints()
	if from > 0 {
		from += moveFlank
	} else {
		from = moveTop
	}
	var near [2][][]int // the levels that an edge is looked at around a place
	for s := range edges {
		near[s] = t.around(s, from)
	}
	n := len(t.m.p)
	if t.flare > 0 {
		n = t.flare
	}
	for k := range n {
		for m := -moveOblique; m <= moveOblique; m += moveEvery {
			at := [2]int{k - m/2, k + m/2}
			if min(at[0], at[1]) < 0 || max(at[0], at[1]) >= n || near[0][at[0]] == nil || near[1][at[1]] == nil {
				continue
			}
			if q := newMove(edges, [2][]int{near[0][at[0]], near[1][at[1]]}, at, t.m.step); q.parts() {
				return true
			}
		}
	}
	return false
}

// around returns for every place of side s, between a level and the one before, the
// levels on both sides that show the edge, ascending; nil where they are few.
func (t *shaftTrace) around(s, from int) [][]int {
	faint := t.faintest(s)
	ls, other := t.side[s], t.side[1-s]
	most := moveWidest * t.width()
	seen := func(k, dir int) (ks []int) {
		for i := 0; i < moveWithin && len(ks) < moveReach; i++ {
			j := k + i*dir
			if j < max(0, from) || j >= len(ls) {
				break
			}
			if ls[j].ok && ls[j].contrast >= faint && !(other[j].ok && ls[j].outer+other[j].outer > most) {
				ks = append(ks, j)
			}
		}
		return ks
	}
	out := make([][]int, len(ls))
	for k := range ls {
		before, after := seen(k-1, -1), seen(k, 1)
		if len(before) >= moveFound && len(after) >= moveFound {
			slices.Reverse(before)
			out[k] = append(before, after...)
		}
	}
	return out
}

// newMove fits the points of two edges at the levels near: each has a bow of its own, and
// from the level at on both have the same step and turn. A polynomial for each stands for
// smooth bends. spacing is the distance of the levels, mm.
func newMove(edges [2][]geom.PointMM, near [2][]int, at [2]int, spacing float64) move {
	middle := func(i, j int) geom.PointMM { return edges[0][i].Add(edges[1][j]).Mul(0.5) }
	a, b := near[0], near[1]
	along := middle(a[len(a)-1], b[len(b)-1]).Sub(middle(a[0], b[0])).Unit()
	origin := middle(at[0], at[1])
	moved := normal{n: moveParams}
	bent := 0.0
	for i, edge := range edges {
		smooth := normal{n: bentParams}
		for _, k := range near[i] {
			d := edge[k].Sub(origin)
			y, s := d.X*along.Y-d.Y*along.X, d.Dot(along)/(moveReach*spacing) // s: about −1 … 1
			var row [maxParams]float64
			row[3*i], row[3*i+1], row[3*i+2] = 1, s, s*s
			if k >= at[i] {
				row[6], row[7] = 1, s
			}
			moved.add(row, y)
			smooth.add([maxParams]float64{1, s, s * s, s * s * s, s * s * s * s}, y)
		}
		_, rest := smooth.solve()
		bent += rest
	}
	c, rest := moved.solve()
	return move{step: c[6], angle: math.Atan(c[7] / (moveReach * spacing)), sharp: math.Sqrt(bent / math.Max(rest, 1e-9))}
}
