package detect

import (
	"math"
	"testing"

	"shaftgauge/measure/geom"
)

// A straight edge, its reference line 1.4 mm inside it: where the tile's
// brightness rises is plain geometry, and so are the places that depths of the
// strip have on the film. Both sides of a shaft give the same tile.
func TestTileLiesAlongTheEdge(t *testing.T) {
	const (
		pitch = 0.1 // mm
		mid   = 40.0
		half  = 15.0 // from the mid-line to the edge, mm
		ref   = half - 1.4
		size  = 1600
	)
	sp := geom.Spacing{Y: pitch, X: pitch}
	g := &plane{pix: make([]uint16, size*size), rows: size, cols: size, k: 1}
	for i := range g.pix {
		if math.Abs(float64(i%size)*pitch-mid) < half {
			g.pix[i] = 1000
		}
	}
	line := []geom.PointMM{{X: mid, Y: 5}, {X: mid, Y: 155}}
	for _, sign := range []float64{1, -1} {
		c := &course{m: newMidline(line, fineStep), sign: sign, sp: sp}
		c.ref = constant(len(c.m.p), ref)
		tile := c.tile(g, tileLevels, 3, len(c.m.p)-1)
		for r := 0; r < 2*tileLevels; r += 50 {
			row := tile[r*tileCols : (r+1)*tileCols]
			rise := 0
			for rise < tileCols && row[rise] < 0.5 {
				rise++
			}
			// The last bright pixel ends half a pixel before the edge; the first bright
			// column is the next one inward.
			if want := tileLine - (half-pitch/2-ref)/tileAcross; float64(rise) < want || float64(rise) > want+1 {
				t.Errorf("side %v, row %d: the bone begins at column %d, want %.2f to %.2f", sign, r, rise, want, want+1)
			}
		}
		s := Strip{first: 3, course: c, Levels: make([]StripLevel, 20)}
		n := c.m.n[0].X * sign
		p := sp.MM(s.Px(7, ref-half))
		if d := math.Hypot(p.X-(mid+n*half), p.Y-(5+10)); d > 1e-6 {
			t.Errorf("side %v: level 10 of the edge is at %v", sign, p)
		}
	}
}

// The parabola that a course is made of gives back a parabola; a bump of a few
// centimetres does not pull it along.
func TestReferenceLeavesBumpsOut(t *testing.T) {
	v := make([]float64, 260)
	own := func(k int) float64 { u := float64(k-130) / 100; return 14 + 0.5*u + 1.2*u*u }
	for k := range v {
		v[k] = own(k)
		if k > 119 && k < 140 {
			v[k] += 2
		}
		if k == 60 {
			v[k] = math.NaN()
		}
	}
	for k, x := range reference(v, 1) {
		if d := math.Abs(x - own(k)); !(d < 0.4) { // of a bump of 2 mm
			t.Fatalf("level %d: %.2f mm off", k, d)
		}
	}
}

// Logits of a distribution around a column are an edge at that column's depth.
func TestReadStripLevel(t *testing.T) {
	const levels = 224
	out := make([]float32, levels*(stripPlanes*tilePlaces+stripNumbers))
	const r, place, spread = 5, 30.0, 1.5
	for c := range tilePlaces {
		u := (float64(c) - place) / spread
		out[(planeInner*levels+r)*tilePlaces+c] = float32(-u * u / 2)
	}
	out[levels*(stripPlanes*tilePlaces+numberFocal)+r] = 2
	var l StripLevel
	l.read(out, levels, r)
	// A place is two columns of 0.2 mm, the first around column 0.5.
	if want := (2*place + 0.5 - 32) * 0.2; math.Abs(l.Inner.Depth-want) > 0.01 || math.Abs(l.Inner.Spread-0.4*spread) > 0.02 {
		t.Errorf("depth %.3f, spread %.3f, want %.3f and %.3f", l.Inner.Depth, l.Inner.Spread, want, 0.4*spread)
	}
	if want := 1 / (1 + math.Exp(-2)); math.Abs(l.Focal-want) > 1e-6 {
		t.Errorf("probability %.4f, want %.4f", l.Focal, want)
	}
}
