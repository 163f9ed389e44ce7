package measure

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"shaftgauge/measure/geom"
)

// landmarks puts hip and knee onto a phantom with given angles in degrees: the
// neck against the tangent at level 50, which an arc's axis from 20 to 80 is
// parallel to, and the condyles' tangent and the mechanical axis against the
// direction proximal of the tangent at level knee.
func landmarks(f phantom, nsa, aldfa, ama, knee float64) Joints {
	rad := math.Pi / 180
	_, t, n := f.at(50)
	medial := n.Mul(-1)
	sin, cos := math.Sincos(nsa * rad)
	up := t.Mul(cos).Add(medial.Mul(sin))
	p0, _, _ := f.at(-50)
	neck := p0.Add(medial.Mul(15))
	var j Joints
	j.Neck = &Landmark{P: neck}
	j.Head = &HeadCircle{C: neck.Add(up.Mul(35)), R: 24}

	at, t, n := f.at(knee)
	proximal := t.Mul(-1)
	sin, cos = math.Sincos(aldfa * rad)
	tangent := n.Mul(sin).Add(proximal.Mul(cos))
	centre := at.Add(t.Mul(40))
	j.CondyleLateral = &Landmark{P: centre.Add(tangent.Mul(24))}
	j.CondyleMedial = &Landmark{P: centre.Sub(tangent.Mul(24))}
	if ama != 0 { // the head where the mechanical axis wants it
		sin, cos = math.Sincos(ama * rad)
		j.Head.C = centre.Add(proximal.Mul(420 * cos)).Sub(n.Mul(420 * sin))
	}
	return j
}

func jointsOf(t *testing.T, f phantom, j Joints) Record {
	t.Helper()
	var r Record
	s := shaftOf(t, f)
	s.Measure(&r, scaled)
	s.MeasureJoints(&r, scaled, j)
	for q, v := range r.Values {
		if v.U95 > 1e-6 {
			t.Errorf("%s: exact edges and landmarks, u95 %g", q, v.U95)
		}
	}
	return r
}

// On a straight femur the anatomic lateral distal angle is the mechanical one
// less the angle between the axes. Source of the values: D. Paley, Principles of
// Deformity Correction, Springer 2002, chapter 1, from memory: 88°, 7°, 81°.
func TestAnglesOfAStraightFemur(t *testing.T) {
	for _, tilt := range []float64{0, -0.3, 2.9} {
		for _, sense := range []float64{1, -1} {
			for _, ama := range []float64{7, -2} {
				f := waisted(0)
				f.tilt, f.sense = tilt, sense
				r := jointsOf(t, f, landmarks(f, 130, 81, ama, 335))
				near(t, "aLDFA", r.Values[AnatomicLateralDistal].X, 81, 0.01)
				near(t, "AMA", r.Values[AnatomicMechanicalAngle].X, ama, 0.01)
				near(t, "mLDFA", r.Values[MechanicalLateralDistal].X, 81+ama, 0.01)
				near(t, "difference", r.Values[MechanicalLateralDistal].X-r.Values[AnatomicMechanicalAngle].X, r.Values[AnatomicLateralDistal].X, 0.01)
			}
		}
	}
}

// On an arc the axis of a stretch is parallel to the tangent at its middle: the
// neck-shaft angle is that against level 50, the anatomic lateral distal angle
// that against the middle of the last quarter, and the anatomic-mechanical angle
// that against the middle of the diaphysis.
func TestAnglesOfABowedFemur(t *testing.T) {
	for _, k := range []float64{1.0 / 900, -1.0 / 1500} {
		for _, sense := range []float64{1, -1} {
			f := waisted(k)
			f.sense = sense
			from, to, _, _ := shaftOf(t, f).Diaphysis(true)
			quarter := to - (to-from)/8
			r := jointsOf(t, f, landmarks(f, 128, 84, 0, 335))
			near(t, "NSA", r.Values[NeckShaftAngle].X, 128, 0.02)
			// Apex lateral: the shaft turns medially on its way down, so that
			// further up the direction proximal leans medially more.
			turned := k * (335 - quarter) * 180 / math.Pi
			near(t, "aLDFA", r.Values[AnatomicLateralDistal].X, 84+turned, 0.03)
			f2 := r.Values[MechanicalLateralDistal].X - r.Values[AnatomicMechanicalAngle].X
			near(t, "against the whole axis", f2, 84+k*(335-(from+to)/2)*180/math.Pi, 0.05)
		}
	}
}

func TestOffsetAndHead(t *testing.T) {
	f := waisted(0)
	j := landmarks(f, 135, 81, 0, 335)
	r := jointsOf(t, f, j)
	near(t, "offset", r.Values[FemoralOffset].X, 15+35*math.Sin(math.Pi/4), 1e-3)
	near(t, "diameter", r.Values[HeadDiameter].X, 48, 1e-9)
	j.Head.R = 0
	if _, ok := jointsOf(t, f, j).Values[HeadDiameter]; ok {
		t.Error("a diameter of a head of which only the centre is known")
	}
}

// The flare is the one width over the other, as the row has it.
func TestCanalFlare(t *testing.T) {
	f := waisted(1.0 / 900)
	j := landmarks(f, 130, 81, 0, 335)
	j.CanalAbove = &Value{X: 45.4}
	r := jointsOf(t, f, j)
	near(t, "flare", r.Values[CanalFlareIndex].X, 45.4/r.Values[IsthmusCanalWidth].X, 1e-9)
}

// The chords of an arc over 50 mm are parallel to the tangents at their
// middles: with the condyle 50 mm along the second one from its end at level c,
// the lines meet at (c − 100 mm)/R, here for the radii of TestSagittaAndArcAngle.
func TestBowAngle50OnArcs(t *testing.T) {
	for _, radius := range []float64{722, 943, 1120, 1500, 3000, -1200} {
		for _, sense := range []float64{1, -1} {
			for _, offset := range []float64{25, 0, -10} {
				f := waisted(1 / radius)
				f.sense, f.tilt = sense, 0.2
				const end = 330.0
				a, _, _ := f.at(end - 100)
				b, _, n := f.at(end - 50)
				along := b.Sub(a).Unit()
				j := Joints{CondyleLateral: &Landmark{P: b.Add(along.Mul(50)).Add(n.Sub(along.Mul(n.Dot(along))).Unit().Mul(offset))}}
				r := jointsOf(t, f, j)
				near(t, "angle", r.Values[BowAngle50].X, (end-100)/radius*180/math.Pi, 0.01)
			}
		}
	}
}

// A trace that begins a little below the lesser trochanter is prolonged; one
// that begins far below, or ends too high above the knee, is not.
func TestBowAngle50NeedsItsPoints(t *testing.T) {
	for _, c := range []struct {
		s0, s1 geom.MM
		ok     bool
	}{{-20, 340, true}, {5, 340, true}, {11.5, 340, true}, {14, 340, false}, {-20, 290, true}, {-20, 270, false}} {
		f := waisted(1.0 / 943)
		a, _, _ := f.at(230)
		b, _, n := f.at(280)
		along := b.Sub(a).Unit()
		j := Joints{CondyleLateral: &Landmark{P: b.Add(along.Mul(50)).Add(n.Mul(20))}}
		f.s0, f.s1 = c.s0, c.s1
		var r Record
		s := shaftOf(t, f)
		opt := scaled
		opt.Errors.EndSigma = [2]float64{1e-9, 1e-9}
		s.MeasureJoints(&r, opt, j)
		v, ok := r.Values[BowAngle50]
		if ok != c.ok || hasReason(r, BowLinesNotVisible) == c.ok {
			t.Errorf("%v: measured %t, reasons %v", c, ok, r.Reasons)
		}
		if !ok {
			continue
		}
		near(t, "angle", v.X, geom.Angle((330.0-100)/943).Degrees(), 0.15)
		if (v.U95 > 0.05) != (c.s0 > 0) {
			t.Errorf("%v: u95 %.3f", c, v.U95)
		}
	}
}

// What is absent has its reason on an AP row, and none on a lateral one.
func TestReasonsOfJoints(t *testing.T) {
	f := waisted(1.0 / 900)
	s := shaftOf(t, f)
	whole := landmarks(f, 130, 81, 0, 335)
	whole.CanalAbove = &Value{X: 45}
	all := []Quantity{NeckShaftAngle, HeadDiameter, FemoralOffset, CanalFlareIndex, AnatomicLateralDistal,
		MechanicalLateralDistal, AnatomicMechanicalAngle}
	for _, c := range []struct {
		name   string
		change func(*Joints)
		absent []Quantity
		why    Reason
	}{
		{"all there", func(*Joints) {}, nil, ""},
		{"no head", func(j *Joints) { j.Head = nil },
			[]Quantity{NeckShaftAngle, HeadDiameter, FemoralOffset, MechanicalLateralDistal, AnatomicMechanicalAngle}, HeadNotFound},
		{"a head of unknown radius", func(j *Joints) { j.Head = &HeadCircle{C: j.Head.C} }, []Quantity{HeadDiameter}, HeadNotFound},
		{"no neck", func(j *Joints) { j.Neck = nil }, []Quantity{NeckShaftAngle}, NeckNotFound},
		{"no condyle", func(j *Joints) { j.CondyleMedial = nil },
			[]Quantity{AnatomicLateralDistal, MechanicalLateralDistal, AnatomicMechanicalAngle}, CondylesNotFound},
		{"no canal", func(j *Joints) { j.CanalAbove = nil }, []Quantity{CanalFlareIndex}, CanalAboveNotVisible},
		{"head beside the neck", func(j *Joints) { j.Head = &HeadCircle{C: j.Neck.P.Sub(j.Head.C.Sub(j.Neck.P)), R: 24} },
			[]Quantity{NeckShaftAngle}, NeckNotFound},
	} {
		j := whole
		c.change(&j)
		var r Record
		s.MeasureJoints(&r, scaled, j)
		absent := map[Quantity]bool{}
		for _, q := range c.absent {
			absent[q] = true
		}
		for _, q := range all {
			if _, ok := r.Values[q]; ok == absent[q] {
				t.Errorf("%s: %s measured %t", c.name, q, ok)
			}
		}
		if c.why != "" && !hasReason(r, c.why) || c.why == "" && len(r.Reasons) > 0 {
			t.Errorf("%s: reasons %v", c.name, r.Reasons)
		}
		var lateral Record
		opt := scaled
		opt.View = Lateral
		s.MeasureJoints(&lateral, opt, Joints{})
		if len(lateral.Reasons) > 0 || len(lateral.Values) > 0 {
			t.Errorf("lateral: %v %v", lateral.Values, lateral.Reasons)
		}
	}
	// Without sides: what has none.
	opt := scaled
	opt.UnknownSides = true
	var r Record
	s.MeasureJoints(&r, opt, whole)
	for _, q := range all {
		_, ok := r.Values[q]
		sided := q == AnatomicLateralDistal || q == MechanicalLateralDistal || q == AnatomicMechanicalAngle
		if ok == sided {
			t.Errorf("sides unknown: %s measured %t", q, ok)
		}
	}
	// Without a scale: no lengths.
	opt = scaled
	opt.HasScale = false
	r = Record{}
	s.MeasureJoints(&r, opt, whole)
	for _, q := range all {
		_, ok := r.Values[q]
		if length := q == HeadDiameter || q == FemoralOffset; ok == length {
			t.Errorf("no scale: %s measured %t", q, ok)
		}
	}
}

// An axis needs the edges of its own stretch only: metal that hides a third of it
// leaves the angle, more takes it away.
func TestAxisBesideMetal(t *testing.T) {
	f := waisted(0)
	j := landmarks(f, 130, 81, 0, 335)
	for hidden, want := range map[geom.MM]bool{18: true, 24: false} {
		c := f.contours(1)
		for i := range c.OuterPos.P {
			if s := f.s0 + float64(i); s > 40 && s < 40+hidden {
				c.OuterPos.P[i].X = math.NaN()
			}
		}
		s, err := NewShaft(c, 1)
		if err != nil {
			t.Fatal(err)
		}
		p, _, n := f.at(0)
		s.SetOrigin(p.Sub(n.Mul(22)))
		var r Record
		s.MeasureJoints(&r, scaled, j)
		_, nsa := r.Values[NeckShaftAngle]
		_, aldfa := r.Values[AnatomicLateralDistal]
		if nsa != want || !aldfa || hasReason(r, AxisNotVisible) == want {
			t.Errorf("%g mm hidden: NSA %t, aLDFA %t, reasons %v", hidden, nsa, aldfa, r.Reasons)
		}
	}
}

// An axis may begin a little below its stretch, not far. The axis of a circular arc
// seen from x mm below its beginning on turns by x/2 over the arc's radius: closed form.
func TestAxisBeginsLate(t *testing.T) {
	f := waisted(0.5e-3)
	j := landmarks(f, 130, 81, 0, 335)
	whole := jointsOf(t, f, j).Values[NeckShaftAngle].X
	for from, want := range map[geom.MM]bool{26: true, 30: false} {
		c := f.contours(1)
		for _, e := range []*Edge{&c.OuterPos, &c.OuterNeg, &c.InnerPos, &c.InnerNeg} {
			e.P = e.P[int(from-f.s0):]
		}
		s, err := NewShaft(c, 1)
		if err != nil {
			t.Fatal(err)
		}
		p, _, n := f.at(0)
		s.SetOrigin(p.Sub(n.Mul(22)))
		var r Record
		s.MeasureJoints(&r, scaled, j)
		v, ok := r.Values[NeckShaftAngle]
		if ok != want || hasReason(r, AxisNotVisible) == want {
			t.Errorf("from %g mm: NSA %t, reasons %v", from, ok, r.Reasons)
		}
		if turn := (from - 20) / 2 * f.curvature * 180 / math.Pi; ok && math.Abs(math.Abs(v.X-whole)-turn) > 0.03 {
			t.Errorf("from %g mm: NSA %.3f, of the whole stretch %.3f, want %.3f apart", from, v.X, whole, turn)
		}
	}
}

// A centre that is uncertain by σ turns a neck L long by σ/L: an angle that is
// hardly known is not given.
func TestVagueNeck(t *testing.T) {
	f := waisted(0)
	s := shaftOf(t, f)
	for share, want := range map[float64]bool{0.9: true, 1.1: false} {
		j := landmarks(f, 130, 81, 0, 335)
		head := *j.Head
		head.SigmaC = share * neckVague / Coverage * head.C.Sub(j.Neck.P).Norm()
		j.Head = &head
		var r Record
		s.MeasureJoints(&r, scaled, j)
		if _, ok := r.Values[NeckShaftAngle]; ok != want || hasReason(r, NeckNotFound) == want {
			t.Errorf("u95 of %g of the limit: NSA %t, reasons %v", share, ok, r.Reasons)
		}
	}
}

// Of many disturbed femora, the share whose expanded uncertainty covers the
// undisturbed answer is what it says. Source: JCGM 100:2008, 6.2.
func TestCoverageOfJoints(t *testing.T) {
	const runs = 300
	noise := rand.New(rand.NewPCG(2026, 14))
	f := waisted(1.0 / 900)
	exact := landmarks(f, 130, 81, 0, 335)
	exact.CanalAbove = &Value{X: 30}
	tip, down, n := f.at(0)
	tip = tip.Sub(n.Mul(22))
	exact.LesserTrochanter = &Landmark{P: tip}
	truth := jointsOf(t, f, exact)
	opt := scaled
	opt.Errors = noisy
	const head, radius, mark, canal = 0.4, 0.2, 0.8, 0.5
	opens := (2*f.distance[2](0) - 30) / 20 // mm of canal per mm of level
	moved := func(p geom.PointMM, sigma float64) geom.PointMM {
		return p.Add(geom.PointMM{X: sigma * noise.NormFloat64(), Y: sigma * noise.NormFloat64()})
	}
	covered, seen := map[Quantity]int{}, map[Quantity]int{}
	width, miss := map[Quantity]float64{}, map[Quantity]float64{}
	for range runs {
		s, err := NewShaft(disturb(f, noisy, 0.15, noise), 1)
		if err != nil {
			t.Fatal(err)
		}
		slip := noisy.OriginSigma * noise.NormFloat64()
		if !s.SetOrigin(tip.Add(down.Mul(slip))) {
			t.Fatal("no origin")
		}
		j := Joints{
			Head:             &HeadCircle{C: moved(exact.Head.C, head), R: exact.Head.R + radius*noise.NormFloat64(), SigmaC: head, SigmaR: radius},
			Neck:             &Landmark{P: moved(exact.Neck.P, mark), Sigma: mark},
			LesserTrochanter: &Landmark{P: moved(tip, mark), Sigma: mark},
			CondyleLateral:   &Landmark{P: moved(exact.CondyleLateral.P, mark), Sigma: mark},
			CondyleMedial:    &Landmark{P: moved(exact.CondyleMedial.P, mark), Sigma: mark},
			CanalAbove:       &Value{X: 30 + opens*slip + canal*noise.NormFloat64(), U95: 2 * canal},
		}
		var r Record
		s.MeasureJoints(&r, opt, j)
		for q, v := range r.Values {
			off := v.X - truth.Values[q].X
			seen[q]++
			if math.Abs(off) <= v.U95 {
				covered[q]++
			}
			width[q] += v.U95 / runs
			miss[q] += off * off / runs
		}
	}
	var names []string
	for q := range seen {
		names = append(names, string(q))
	}
	sort.Strings(names)
	if len(names) != 9 {
		t.Errorf("measured %v", names)
	}
	for _, name := range names {
		q := Quantity(name)
		share := float64(covered[q]) / float64(seen[q])
		t.Logf("%-28s n %3d covered %.3f mean u95 %.4f twice rms %.4f", q, seen[q], share, width[q], 2*math.Sqrt(miss[q]))
		if seen[q] < runs*95/100 || share < 0.91 || share > 0.99 {
			t.Errorf("%s: %d seen, covered %.3f", q, seen[q], share)
		}
	}
}
