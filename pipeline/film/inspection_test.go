package film

import (
	"bytes"
	"context"
	picture "image"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/job"
	"shaftgauge/pipeline/simulate"
	"shaftgauge/pipeline/simulate/dicomfile"
)

// stored writes a scene's film into a file and returns the job for it.
func stored(t testing.TB, f simulate.Film) job.Job {
	t.Helper()
	path := filepath.Join(t.TempDir(), "film.dcm")
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if err := dicomfile.Write(out, f, dicomfile.ExplicitLittleEndian, dicomfile.Options{}); err != nil {
		t.Fatal(err)
	}
	return job.Job{Path: path, Source: "film.dcm", Config: settings}
}

// reread has a reader's corrections of the n-th row measured.
func reread(t testing.TB, j job.Job, n int, c ...job.Correction) measure.Femur {
	t.Helper()
	j.Inspection = &job.Inspection{Frame: 1, Femur: n, Corrections: c}
	a := Measure(context.Background(), j)
	if a.Refused != "" || len(a.Femurs) < n {
		t.Fatalf("%d rows, refused: %q", len(a.Femurs), a.Refused)
	}
	return a.Femurs[n-1]
}

func drawn(seed uint64, group string) simulate.Film {
	return coarsened(simulate.Draw(rand.New(rand.NewPCG(78, seed)), group), 1.5).Render()
}

// apFull is one film of a whole femur; rendering takes seconds.
var apFull = sync.OnceValue(func() simulate.Film { return drawn(0, "ap_full") })

// The neck-shaft angle is that between two lines; turning the line from the
// middle of the neck to the head's centre about the former by 10° changes it by
// 10°, whatever else the film shows.
func TestHeadMovedByHand(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	nsa, ok := was.Record.Values[measure.NeckShaftAngle]
	if !ok {
		t.Fatalf("no neck-shaft angle: %v", was.Record.Reasons)
	}
	g := was.Geometry
	neck, head := g.Landmarks["neck_centre"], g.Landmarks["head_centre"]
	medial := middle(g.Contours["outer_medial"])
	lateral := middle(g.Contours["outer_lateral"])
	// The medial side lies to the right of the film where it has the greater X;
	// turning the head upwards there, Y pointing down, is turning by less than 0.
	turn := -10.0
	if medial.X < lateral.X {
		turn = 10
	}
	sin, cos := math.Sincos(turn * math.Pi / 180)
	dx, dy := head.X-neck.X, head.Y-neck.Y
	to := [2]float64{neck.X + cos*dx - sin*dy, neck.Y + sin*dx + cos*dy}
	got := reread(t, j, 1, job.Correction{Kind: job.MoveLandmark, Name: "neck_centre", To: [2]float64{neck.X, neck.Y}},
		job.Correction{Kind: job.MoveLandmark, Name: "head_centre", To: to})
	now := got.Record.Values[measure.NeckShaftAngle]
	if d := now.X - nsa.X; math.Abs(d-10) > 0.01 {
		t.Errorf("neck-shaft angle %.3f → %.3f: by %.3f°, want 10", nsa.X, now.X, d)
	}
	// A length of mm between two hand-set places: √2·0.5 mm over their distance.
	sp := was.Record.PixelMM
	least := measure.Coverage * math.Hypot(handSigma, handSigma) / (math.Hypot(dx, dy) * sp) * 180 / math.Pi
	if now.U95 < 0.9*least {
		t.Errorf("u95 %.2f° of an angle set by hand, want %.2f° or more", now.U95, least)
	}
	if p := got.Geometry.Landmarks["head_centre"]; math.Hypot(p.X-to[0], p.Y-to[1]) > 1e-9 {
		t.Errorf("drawn at %v, set at %v", p, to)
	}
	for q, v := range was.Record.Values {
		if q == measure.OuterWidthAt(50) || q == measure.BowRadius {
			if w := got.Record.Values[q]; w != v {
				t.Errorf("%s changed with the head: %v → %v", q, v, w)
			}
		}
	}
}

// The head's diameter is twice the radius that a reader sets.
func TestHeadRadiusByHand(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	r := was.Geometry.Circles["head"].R + 10
	got := reread(t, j, 1, job.Correction{Kind: job.HeadRadius, Radius: r})
	want := 2 * r * was.Record.PixelMM
	if d := got.Record.Values[measure.HeadDiameter]; math.Abs(d.X-want) > 1e-6 || d.U95 < 2*measure.Coverage*handSigma*0.9 {
		t.Errorf("diameter %+v, want %.3f mm", d, want)
	}
}

// An edge moved outwards by 2 mm makes the bone there 2 mm wider and its cortex
// 2 mm thicker, and 15 mm away nothing.
func TestEdgeMovedByHand(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	l, ok := was.Geometry.Levels["100"]
	if !ok {
		t.Fatalf("no level 100: %v", was.Record.Reasons)
	}
	sp := was.Record.PixelMM
	lateral, medial := l[0], l[1]
	n := geom.PointMM{X: lateral.X - medial.X, Y: lateral.Y - medial.Y}.Unit().Mul(2 / sp)
	got := reread(t, j, 1, job.Correction{Kind: job.MoveEdge, Name: "outer_lateral",
		From: [2]float64{lateral.X, lateral.Y}, To: [2]float64{lateral.X + n.X, lateral.Y + n.Y}})
	for q, want := range map[measure.Quantity]float64{
		measure.OuterWidthAt(100): 2, measure.CortexAt(measure.AP, true, 100): 2, measure.CortexAt(measure.AP, false, 100): 0, measure.CanalWidthAt(100): 0,
		measure.OuterWidthAt(50): 0, measure.CortexAt(measure.AP, true, 150): 0,
	} {
		a, had := was.Record.Values[q]
		b, has := got.Record.Values[q]
		if !had || !has {
			t.Errorf("%s: measured before %v, after %v; reasons %v", q, had, has, got.Record.Reasons)
			continue
		}
		// The mid-line follows the edge and turns the levels by some hundredths.
		if d := b.X - a.X; math.Abs(d-want) > 0.15 {
			t.Errorf("%s: by %.3f mm, want %.1f", q, d, want)
		}
	}
	if a, b := was.Record.Values[measure.OuterWidthAt(100)], got.Record.Values[measure.OuterWidthAt(100)]; b.U95 <= a.U95 {
		t.Errorf("u95 %.3f → %.3f with an edge set by hand", a.U95, b.U95)
	}
}

// A bump that a reader draws on the outer lateral edge is a focal thickening
// like one that was traced.
func TestEdgeMovedReachesThickenings(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	if len(was.Focal) != 0 {
		t.Fatalf("found before: %+v", was.Focal)
	}
	l := was.Geometry.Levels["100"]
	n := geom.PointMM{X: l[0].X - l[1].X, Y: l[0].Y - l[1].Y}.Unit().Mul(2 / was.Record.PixelMM)
	got := reread(t, j, 1, job.Correction{Kind: job.MoveEdge, Name: "outer_lateral",
		From: [2]float64{l[0].X, l[0].Y}, To: [2]float64{l[0].X + n.X, l[0].Y + n.Y}})
	if len(got.Focal) != 1 {
		t.Fatalf("%d found, want 1; reasons %v", len(got.Focal), got.Record.Reasons)
	}
	// The raised cosine of 15 mm to both sides is 15 mm wide at half its height.
	f := got.Focal[0]
	if math.Abs(f.Level.X-100) > 3 || math.Abs(f.Height.X-2) > 0.4 || math.Abs(f.Length.X-15) > 4 || f.Surface != "periosteal" {
		t.Errorf("level %.1f, height %.2f, length %.1f mm, %s; drawn 2 mm high at 100, 15 mm long", f.Level.X, f.Height.X, f.Length.X, f.Surface)
	}
}

// So is one that he draws in place of what was traced, with points every 5 mm.
func TestEdgeDrawnReachesThickenings(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	mm := was.Record.PixelMM
	l := was.Geometry.Levels["100"]
	out := geom.PointMM{X: l[0].X - l[1].X, Y: l[0].Y - l[1].Y}.Unit()
	along := geom.PointMM{X: -out.Y, Y: out.X}
	c := job.Correction{Kind: job.DrawEdge, Name: "outer_lateral"}
	last := math.Inf(-1)
	edge := was.Geometry.Contours["outer_lateral"]
	for _, p := range edge {
		u := along.Dot(geom.PointMM{X: p.X - l[0].X, Y: p.Y - l[0].Y}) * mm
		if math.Abs(u) > 30 || math.Abs(u-last) < 5 {
			continue
		}
		last = u
		high := 0.0
		if math.Abs(u) < 15 {
			high = 1 + math.Cos(math.Pi*u/15)
		}
		c.Points = append(c.Points, [2]float64{p.X + high/mm*out.X, p.Y + high/mm*out.Y})
	}
	got := reread(t, j, 1, c)
	if len(got.Focal) != 1 {
		t.Fatalf("%d found, want 1; reasons %v", len(got.Focal), got.Record.Reasons)
	}
	f := got.Focal[0]
	if math.Abs(f.Level.X-100) > 3 || math.Abs(f.Height.X-2) > 0.4 || math.Abs(f.Length.X-15) > 4 || f.Surface != "periosteal" {
		t.Errorf("level %.1f, height %.2f, length %.1f mm, %s; drawn 2 mm high at 100, 15 mm long", f.Level.X, f.Height.X, f.Length.X, f.Surface)
	}
}

// A moved lesser trochanter moves every level by as much along the shaft.
func TestTrochanterMovedByHand(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	g, sp := was.Geometry, was.Record.PixelMM
	down := geom.PointMM{}
	if a, b := g.Levels["50"], g.Levels["100"]; a != b {
		down = geom.PointMM{X: b[0].X + b[1].X - a[0].X - a[1].X, Y: b[0].Y + b[1].Y - a[0].Y - a[1].Y}.Unit().Mul(10 / sp)
	}
	p := g.Landmarks["lesser_trochanter"]
	got := reread(t, j, 1, job.Correction{Kind: job.MoveLandmark, Name: "lesser_trochanter", To: [2]float64{p.X + down.X, p.Y + down.Y}})
	a, b := was.Record.Values[measure.IsthmusLevel], got.Record.Values[measure.IsthmusLevel]
	if d := b.X - a.X; math.Abs(d+10) > 1.5 { // levels are a millimetre apart
		t.Errorf("isthmus level %.1f → %.1f, want 10 less", a.X, b.X)
	}
	if _, ok := got.Record.Values[measure.CanalFlareIndex]; ok {
		t.Error("a canal flare index with a canal that was not seen at the new level")
	}
}

// A level dragged 8 mm down the shaft, and 5 mm across it, is then 8 mm lower,
// and so is every other.
func TestLevelMovedByHand(t *testing.T) {
	j := stored(t, apFull())
	was := Measure(context.Background(), j).Femurs[0]
	middleOf := func(g *measure.Geometry, level string) geom.PointMM {
		l := g.Levels[level]
		return geom.PointMM{X: (l[0].X + l[1].X) / 2, Y: (l[0].Y + l[1].Y) / 2}
	}
	sp := was.Record.PixelMM
	at := middleOf(was.Geometry, "100")
	along := middleOf(was.Geometry, "150").Sub(middleOf(was.Geometry, "50")).Unit()
	across := geom.PointMM{X: -along.Y, Y: along.X}
	to := at.Add(along.Mul(8 / sp)).Add(across.Mul(5 / sp))
	got := reread(t, j, 1, job.Correction{Kind: job.MoveLevel, Name: "100", From: [2]float64{at.X, at.Y}, To: [2]float64{to.X, to.Y}})
	for _, level := range []string{"50", "100", "150"} {
		d := middleOf(got.Geometry, level).Sub(middleOf(was.Geometry, level)).Mul(sp)
		if math.Abs(d.Norm()-8) > 0.6 || d.Dot(along) < 7 { // levels are drawn to a millimetre's step
			t.Errorf("level %s moved by %.2f mm, want 8 down the shaft", level, d)
		}
	}
	a, b := was.Record.Values[measure.IsthmusLevel], got.Record.Values[measure.IsthmusLevel]
	if d := b.X - a.X; math.Abs(d+8) > 1.5 {
		t.Errorf("isthmus level %.1f → %.1f, want 8 less", a.X, b.X)
	}
}

// The rows of a frame are in another order than what was found on it: a
// correction of one row leaves the other as it was.
func TestCorrectionsOfOneOfTwo(t *testing.T) {
	j := stored(t, drawn(3, "both_thighs"))
	was := Measure(context.Background(), j).Femurs
	if len(was) != 2 {
		t.Fatalf("%d rows", len(was))
	}
	for n := 1; n <= 2; n++ {
		p, ok := was[n-1].Geometry.Landmarks["lesser_trochanter"]
		if !ok {
			t.Fatalf("row %d has no lesser trochanter", n)
		}
		j.Inspection = &job.Inspection{Frame: 1, Femur: n, Corrections: []job.Correction{{Kind: job.MoveLandmark, Name: "lesser_trochanter", To: [2]float64{p.X, p.Y + 9}}}}
		got := Measure(context.Background(), j).Femurs
		for i := range got {
			q := got[i].Geometry.Landmarks["lesser_trochanter"]
			if got[i].Record.Side != was[i].Record.Side {
				t.Errorf("row %d: side %q, was %q", i+1, got[i].Record.Side, was[i].Record.Side)
			}
			if moved := q != was[i].Geometry.Landmarks["lesser_trochanter"]; moved != (i == n-1) {
				t.Errorf("correction of row %d: row %d moved: %v", n, i+1, moved)
			}
		}
	}
}

// Without corrections an inspection gives what the batch gave.
func TestInspectionWithoutCorrections(t *testing.T) {
	j := stored(t, drawn(1, "ap_hip"))
	was := Measure(context.Background(), j).Femurs[0].Record
	now := reread(t, j, 1).Record
	if len(now.Values) != len(was.Values) || len(was.Values) == 0 {
		t.Fatalf("%d values, want %d", len(now.Values), len(was.Values))
	}
	for q, v := range was.Values {
		if now.Values[q] != v {
			t.Errorf("%s: %v, want %v", q, now.Values[q], v)
		}
	}
}

// The picture for the reader is the stored frame, bone bright, at 16 bits.
func TestPixelsForReader(t *testing.T) {
	f := drawn(4, "inverted")
	j := stored(t, f)
	j.Inspection = &job.Inspection{Frame: 1, Pixels: true}
	a := Measure(context.Background(), j)
	im, err := png.Decode(bytes.NewReader(a.Pixels))
	if err != nil {
		t.Fatalf("%v; refused %q", err, a.Refused)
	}
	grey, ok := im.(*picture.Gray16)
	if !ok || grey.Rect.Dx() != f.Cols || grey.Rect.Dy() != f.Rows {
		t.Fatalf("%T %v, film %d × %d", im, im.Bounds(), f.Cols, f.Rows)
	}
	// MONOCHROME1: bright and dark are turned, and nothing else but a factor.
	was := f.Pixels[0]
	k := -1.0
	for i := 1; i < len(f.Pixels) && k < 0; i++ {
		if f.Pixels[i] != was {
			a, b := grey.Gray16At(0, 0).Y, grey.Gray16At(i%f.Cols, i/f.Cols).Y
			k = (float64(b) - float64(a)) / (float64(was) - float64(f.Pixels[i]))
		}
	}
	if k < 1 {
		t.Fatalf("factor %v", k)
	}
	for i := range f.Pixels {
		want := float64(grey.Gray16At(0, 0).Y) + k*(float64(was)-float64(f.Pixels[i]))
		if got := float64(grey.Gray16At(i%f.Cols, i/f.Cols).Y); got != want {
			t.Fatalf("pixel %d: %v, want %v", i, got, want)
		}
	}
}

// What cannot be corrected is said, in words for the reader.
func TestCorrectionsRefused(t *testing.T) {
	j := stored(t, apFull())
	for name, r := range map[string]job.Inspection{
		"no such row":      {Frame: 1, Femur: 2, Corrections: []job.Correction{{Kind: job.MoveLandmark, Name: "neck_centre"}}},
		"no such frame":    {Frame: 2, Femur: 1},
		"no such landmark": {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.MoveLandmark, Name: "patella"}}},
		"no such edge":     {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.MoveEdge, Name: "outer_anterior"}}},
		"no edge there":    {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.MoveEdge, Name: "outer_lateral"}}},
		"too far":          {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.MoveEdge, Name: "outer_lateral", To: [2]float64{500, 0}}}},
		"no number":        {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.MoveEdge, Name: "outer_lateral", To: [2]float64{math.NaN(), 0}}}},
		"no radius":        {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: job.HeadRadius}}},
		"no such kind":     {Frame: 1, Femur: 1, Corrections: []job.Correction{{Kind: "tilt"}}},
	} {
		j.Inspection = &r
		if a := Measure(context.Background(), j); a.Refused == "" || len(a.Femurs) > 0 {
			t.Errorf("%s: refused %q, %d rows", name, a.Refused, len(a.Femurs))
		}
	}
	j.Path += ".gone"
	j.Inspection = &job.Inspection{Frame: 1, Pixels: true}
	if a := Measure(context.Background(), j); a.Refused == "" {
		t.Error("a film that is not there")
	}
}
