package detect

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// All four edges lie on the true silhouettes, which are the tangent rays of the
// simulated surfaces, also where noise hides an inner edge from a fit of single
// levels, whose worst tenth is then 1 mm off and more.
func TestEdgesOfNoisyFilms(t *testing.T) {
	for _, c := range []struct {
		group        string
		seed         uint64
		outer, inner float64 // mm, of which nine in ten are within
	}{{"low_dose", 11, 0.4, 0.6}, {"lat_full", 13, 0.3, 0.4}} {
		t.Run(fmt.Sprint(c.group, c.seed), func(t *testing.T) {
			scene := simulate.Draw(rand.New(rand.NewPCG(c.seed, 7)), c.group)
			film := scene.Render()
			f, truth := one(t, asShown(film)), &film.Truth.Femurs[0]
			names, _ := measure.SideNames(truth.View)
			pos, neg := names[0], names[1]
			if f.LateralClockwise < 0.5 {
				pos, neg = neg, pos
			}
			for name, e := range map[string]Edge{"outer_" + pos: f.OuterClockwise, "inner_" + pos: f.InnerClockwise,
				"outer_" + neg: f.OuterCounter, "inner_" + neg: f.InnerCounter} {
				limit := c.inner
				if name[:5] == "outer" {
					limit = c.outer
				}
				far := 0
				for _, p := range e.P {
					if off(p, truth.Contours[name])*f.WorkingSpacing.X > limit {
						far++
					}
				}
				if len(e.P) < 60 || far > len(e.P)/10 {
					t.Errorf("%s: %d of %d points are over %.1f mm from the truth", name, far, len(e.P), limit)
				}
			}
		})
	}
}

// A shaft straight along the film, the fit's edge 0.4 mm off, the network's spread
// the hypotenuse of what one place was taught with and 0.3 mm (Pythagoras): its place
// is taken, and its error is that and a share of the difference. Unsure of it, it
// leaves the edge; of one not there to see, it is believed where the fit bears it out.
func TestStripEdgeOverFit(t *testing.T) {
	wide := math.Hypot(netSpread, 0.3)
	for _, c := range []struct {
		name       string
		e          StripEdge
		at         float64
		ok         bool
		want, s    float64
		wantIsTold bool
	}{
		{"seen", StripEdge{Depth: 1.4, Spread: wide, Seen: 0.9}, 13, true, 13.4, netSigma * math.Hypot(0.3, netApart*0.4), true},
		{"no fit", StripEdge{Depth: 1.4, Spread: wide, Seen: 0.9}, 0, false, 13.4, netSigma * 0.3, true},
		{"spread", StripEdge{Depth: 1.4, Spread: 2, Seen: 0.9}, 13, true, 13, 1, false},
		{"hidden, borne out", StripEdge{Depth: 1.4, Spread: wide, Seen: 0.1}, 13, true, 13.4, netSigma * math.Hypot(0.3, netApart*0.4), true},
		{"hidden, alone", StripEdge{Depth: 1.4, Spread: wide, Seen: 0.1}, 12, true, 12, 1, false},
		{"hidden, no fit", StripEdge{Depth: 1.4, Spread: wide, Seen: 0.1}, 13, false, 13, 1, false},
	} {
		at, s := c.at, 1.0
		if told := c.e.over(&at, &s, c.ok, 14.8); told != c.wantIsTold || math.Abs(at-c.want) > 1e-9 || math.Abs(s-c.s) > 1e-9 {
			t.Errorf("%s: told %v, at %.3f, sigma %.4f, want %v, %.3f, %.4f", c.name, told, at, s, c.wantIsTold, c.want, c.s)
		}
	}
}

// What metal hides stays hidden, and nothing is taken from beyond the ends of the
// trace.
func TestAdoptStaysOnTheShaft(t *testing.T) {
	var line []geom.PointMM
	for y := 0.0; y <= 100; y += levelStep {
		line = append(line, geom.PointMM{X: 40, Y: y})
	}
	tr := &shaftTrace{m: newMidline(line, levelStep)}
	c := &course{m: newMidline(line, fineStep), sign: 1, sp: geom.Spacing{Y: 0.2, X: 0.2}}
	c.ref = constant(len(c.m.p), 15)
	c.strip = &Strip{course: c, Levels: make([]StripLevel, len(c.m.p))}
	for i := range c.strip.Levels {
		c.strip.Levels[i] = StripLevel{Outer: StripEdge{Depth: 0, Spread: 0.3, Seen: 1}, Inner: StripEdge{Depth: 5, Spread: 0.3, Seen: 1}}
	}
	n := len(tr.m.p)
	tr.side[0] = make([]level, n)
	for k := 5; k < n-5; k++ {
		tr.side[0][k] = level{outer: 15.2, inner: 9.7, ok: k != 20, innerOK: k != 20}
	}
	const under, from = 30, 8
	m := &metal{places: []geom.PointMM{tr.m.p[under].Add(tr.m.n[under].Mul(15))}, filled: make([]bool, n)}
	tr.adopt(0, c, m, from)
	for k, l := range tr.side[0] {
		switch {
		case k < 5 || k >= n-5:
			if l.ok {
				t.Errorf("level %d beyond the trace has an edge", k)
			}
		case k == under:
			if l.ok || l.innerOK {
				t.Errorf("level %d under metal has an edge", k)
			}
		case k < from:
			if l.outer != 15.2 {
				t.Errorf("level %d above the shaft is moved to %.1f mm", k, l.outer)
			}
		case math.Abs(float64(k-under))*levelStep > 2*metalAlong:
			if !l.ok || !l.innerOK || l.outer != 15 || l.inner != 10 {
				t.Errorf("level %d: %+v, want edges at 15 and 10 mm", k, l)
			}
		}
	}
}

// sureCourse is a straight shaft of so many levels with a network that is sure, at
// every level but those of lost, of an outer edge 15 mm from the mid-line.
func sureCourse(levels int, lost ...int) (*shaftTrace, *course) {
	var line []geom.PointMM
	for k := range levels {
		line = append(line, geom.PointMM{X: 40, Y: float64(k) * levelStep})
	}
	tr := &shaftTrace{m: newMidline(line, levelStep), end: levels}
	tr.side[0] = make([]level, levels)
	c := &course{m: newMidline(line, fineStep), sign: 1, sp: geom.Spacing{Y: 0.2, X: 0.2}}
	c.ref = constant(len(c.m.p), 15)
	c.strip = &Strip{course: c, Levels: make([]StripLevel, len(c.m.p))}
	for i := range c.strip.Levels {
		c.strip.Levels[i].Outer = StripEdge{Spread: 0.3, Seen: 1}
	}
	for _, k := range lost {
		c.strip.Levels[int(float64(k)*levelStep/fineStep)].Outer.Seen = 0
	}
	return tr, c
}

// A trace that ends early goes on as far as the network sees its edge: over a few
// levels that it does not see, not over many, not above the shaft, not onto the
// knee, not under metal.
func TestProlong(t *testing.T) {
	bare := func(k, s int) bool { return false }
	for _, c := range []struct {
		name        string
		lost        []int
		from, end   int
		hidden      func(k, s int) bool
		first, last int
	}{
		{"to the ends", nil, 0, 60, bare, 0, 59},
		{"over a gap", []int{36, 37, 38}, 20, 60, bare, 20, 59},
		{"to a wide gap", []int{36, 37, 38, 39}, 20, 60, bare, 20, 35},
		{"above the knee", nil, 12, 50, bare, 12, 49},
		{"to metal", nil, 20, 60, func(k, s int) bool { return k == 40 }, 20, 39},
		{"a little says nothing", nil, 18, 33, bare, 20, 30},
	} {
		tr, course := sureCourse(60, c.lost...)
		tr.end = c.end
		for k := 20; k <= 30; k++ {
			tr.side[0][k] = level{outer: 15, ok: true}
		}
		longer := tr.prolong(0, course, c.hidden, c.from)
		first, last := -1, -1
		for k, l := range tr.side[0] {
			if l.ok {
				if first < 0 {
					first = k
				}
				last = k
			}
		}
		if first != c.first || last != c.last || longer != (first < 20 || last > 30) {
			t.Errorf("%s: levels %d to %d, longer %v, want %d to %d", c.name, first, last, longer, c.first, c.last)
		}
	}
}

// Where a fit has followed another line for 20 mm its edges are the network's, and
// open where that tells none; a scattered level or a small difference is left.
func TestMend(t *testing.T) {
	for _, c := range []struct {
		name   string
		off    float64 // mm inward
		levels int
		want   bool
	}{{"another line", 4, 10, true}, {"a stray", 4, 3, false}, {"an uncertain edge", 1, 10, false}} {
		tr, course := sureCourse(60, 24, 25)
		for k := range tr.side[0] {
			tr.side[0][k] = level{outer: 15, ok: true}
		}
		for k := 20; k < 20+c.levels; k++ {
			tr.side[0][k].outer -= c.off
		}
		if got := tr.mend(0, course); got != c.want {
			t.Errorf("%s: mended %v", c.name, got)
		}
		for k, l := range tr.side[0] {
			if c.want && (l.ok != (k != 24 && k != 25) || l.ok && l.outer != 15) || !c.want && !l.ok {
				t.Errorf("%s: level %d is %+v", c.name, k, l)
			}
		}
	}
}
