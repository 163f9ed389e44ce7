package simulate

import (
	"math"
	"testing"
)

// A pipe of radius r parallel to the detector, the source above its axis at a
// distance d: the tangent rays meet the detector at ± SID·r/√(d² − r²) (the
// tangents from a point to a circle), and the ray through the axis runs 2·r
// inside it.
func TestSectionOfPipe(t *testing.T) {
	const sid, height, r, raised = 1000.0, 150.0, 14.0, 1.5
	beam := Beam{SID: sid}
	place := Pose{Side: "L", At: vec{0, 0, height}}.placement()
	p := newPolar(-40, 40)
	for i := range p.out {
		p.out[i], p.in[i] = r, r-5
	}
	edge := func(r float64) float64 { d := sid - height; return sid * r / math.Sqrt(d*d-r*r) }
	s := newSection(&place, beam, -60, 0, 1, 0)
	check := func(what string, got, want, within float64) {
		t.Helper()
		if abs(got-want) > within {
			t.Errorf("%s: %.4f, want %.4f", what, got, want)
		}
	}
	var l [2]loop
	s.cut(p, p.out, []float64{0}, l[:1])
	s.cut(p, p.in, []float64{0}, l[1:])
	sagitta := r * (1 - math.Cos(math.Pi/polarAngles)) * sid / (sid - height) // of a loop's sides
	lo, hi := l[0].edges()
	check("outer edge", lo-60, -edge(r), sagitta)
	check("outer edge", hi-60, edge(r), sagitta)
	lo, _ = l[1].edges()
	check("inner edge", lo-60, -edge(r-5), sagitta)
	path := make([]float64, 121)
	l[0].chords(path, 1, 1)
	check("path through the axis", abs(path[60]), 2*r, 2*sagitta)
	if abs(path[10]) > 1e-9 {
		t.Errorf("a path of %.3f mm beside the pipe", path[10])
	}
	// Half-way to the edge: the chord at the distance a of the ray from the axis.
	u := 8.0
	a := (sid - height) * u / math.Hypot(sid, u)
	slant := math.Hypot(sid, u) / sid
	check("path aside", abs(path[68])*slant, 2*math.Sqrt(r*r-a*a), 4*sagitta)

	p.raise([]knob{{Bump: Bump{Height: raised, Length: 20, Shape: Bell}, Outer: 1}})
	s.cut(p, p.out, []float64{0}, l[:1])
	lo, _ = l[0].edges()
	check("raised edge", lo-60, -edge(r+raised), 1.1*sagitta)
	// Half as high at half its length from the summit: the full width at half height.
	s = newSection(&place, beam, -60, 10*sid/(sid-height), 1, 0)
	s.cut(p, p.out, []float64{0}, l[:1])
	lo, _ = l[0].edges()
	check("raised edge, half-way", lo-60, -edge(r+raised/2), 0.02)
}

// The sections of a surface of triangles around a cylinder have its radius, less
// what the flat triangles cut off.
func TestPolarOfSurface(t *testing.T) {
	const r, around, long = 15.0, 48, 60
	m := &Mesh{Length: 120}
	for z := range long {
		for a := range around {
			sn, cs := math.Sincos(2 * math.Pi * float64(a) / around)
			m.Vertices = append(m.Vertices, vec{r * cs, r * sn, 2 * float64(z)})
		}
	}
	for z := range long - 1 {
		for a := range around {
			i, j := int32(z*around+a), int32(z*around+(a+1)%around)
			m.Triangles = append(m.Triangles, [3]int32{i, j, i + around}, [3]int32{j, j + around, i + around})
		}
	}
	m.settle(vec{})
	a := Anatomy{Length: 120, Girth: 1, Isthmus: 0.4, FlareAt: 0.75, Thickness: 4, Lateral: 1, Medial: 1, Taper: 1, HalfX: r}
	p := m.polarOf(a, 40, 80)
	cut := r * (1 - math.Cos(math.Pi/around))
	for i, v := range p.out {
		if float64(v) > r+1e-6 || float64(v) < r-cut-1e-6 {
			t.Fatalf("radius %.4f at station %d, want %.4f … %.4f", v, i/polarAngles, r-cut, r)
		}
	}
}

// A parabola is smoothed into itself: least squares of that degree are exact.
func TestLocalQuadratic(t *testing.T) {
	var s, v []float64
	for i := range 80 {
		x := float64(i) * 1.7
		s, v = append(s, x), append(v, 3-0.2*x+0.01*x*x)
	}
	for i, got := range localQuadratic(s, v, 30) {
		if abs(got-v[i]) > 1e-8 {
			t.Fatalf("%.9f at %.1f, want %.9f", got, s[i], v[i])
		}
	}
}
