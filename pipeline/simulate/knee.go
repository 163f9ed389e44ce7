package simulate

import (
	"math"
	"math/rand/v2"

	"shaftgauge/measure/geom"
)

// Joint is what a knee's films differ in. Of pairs, the first is lateral.
type Joint struct {
	Wide   [2]float64 // half-width of a condyle over Girth
	Deep   [2]float64 // its half-height over Girth
	Lean   [2]float64 // its tilt in the coronal plane, degrees
	Plate  float64    // factor on the subchondral bone's thickness
	Space  [2]float64 // width of the joint space in mm
	Slope  float64    // of the tibial plateau, backwards, degrees
	Flexed float64    // of the tibia against the femur, degrees
	Spines float64    // height of the intercondylar eminence in mm

	Patella, PatellaSide float64 // height of its middle over the joint line, and how far lateral it lies, mm over Girth
	FibulaTop            float64 // mm below the plateau
	Fabella              float64 // its radius; 0: none

	// Osteophytes are the sizes in mm of the spurs on the joint's margins; 0: none.
	FemoralSpur, TibialSpur [2]float64
}

// jointRanges are the ranges of Joint.
type jointRanges struct {
	wide, deep, lean, plate, space, narrow, slope, flexed, spines span
	patella, patellaSide, fibulaTop                               span
	narrowed, spurred, fabella                                    float64 // shares
}

// Joint spaces of 3 … 7 mm and slopes of 2 … 14° are usual (from memory; the
// ranges go beyond them).
var seenJoint = jointRanges{
	wide: span{15.5, 22.5}, deep: span{18.5, 23}, lean: span{-12, 12}, plate: span{0.7, 2}, space: span{2.5, 6.5}, narrow: span{0.3, 2.5},
	slope: span{1, 13}, flexed: span{0, 11}, spines: span{5, 10}, patella: span{18, 50}, patellaSide: span{-5, 9}, fibulaTop: span{8, 18},
	narrowed: 0.2, spurred: 0.25, fabella: 0.12,
}

var unseenJoint = jointRanges{
	wide: span{14, 24}, deep: span{17, 24.5}, lean: span{-18, 18}, plate: span{0.5, 2.6}, space: span{2, 8}, narrow: span{0, 2},
	slope: span{-1, 16}, flexed: span{-3, 15}, spines: span{4, 12}, patella: span{14, 56}, patellaSide: span{-8, 12}, fibulaTop: span{5, 22},
	narrowed: 0.3, spurred: 0.35, fabella: 0.2,
}

// joint draws a knee. It draws from its own source, so that the rest of a scene
// does not hang on it.
func (v *jointRanges) joint(seed uint64) (j Joint) {
	r := rand.New(rand.NewPCG(seed, 0x6e))
	for i := range 2 {
		j.Wide[i], j.Deep[i], j.Lean[i] = v.wide.usual(r), v.deep.usual(r), v.lean.usual(r)
		j.Space[i] = v.space.usual(r)
	}
	j.Plate, j.Slope, j.Flexed, j.Spines = v.plate.usual(r), v.slope.usual(r), v.flexed.usual(r), v.spines.usual(r)
	j.Patella, j.PatellaSide, j.FibulaTop = v.patella.usual(r), v.patellaSide.usual(r), v.fibulaTop.usual(r)
	if r.Float64() < v.fabella {
		j.Fabella = span{2.5, 5}.even(r)
	}
	if r.Float64() < v.narrowed {
		j.Space[r.IntN(2)] = v.narrow.even(r)
	}
	for i := range 2 {
		if r.Float64() < v.spurred {
			j.FemoralSpur[i] = span{2, 5}.even(r)
		}
		if r.Float64() < v.spurred {
			j.TibialSpur[i] = span{2, 5}.even(r)
		}
	}
	return j
}

// knee is the frame of a knee in its femur's body frame.
type knee struct {
	at                  vec     // middle between the most distal places of the condyles
	lateral, front, out vec     // along the condyles' tangent, forwards, and distal
	half                float64 // half-distance of the condyles
}

// knee returns the frame of a's knee.
func (a Anatomy) knee() knee {
	px, py := a.centre(a.Length - 60)
	cx, cy := a.centre(a.Length - 20)
	shaft := vec{cx - px, cy - py, 40}.unit()
	across := vec{1, 0, 0}
	across = across.sub(shaft.mul(across.dot(shaft))).unit()
	s, c := sincosDeg(90 - a.LateralAngle)
	k := knee{at: vec{cx, cy - 9*a.Girth, a.Length}, half: a.Condyles}
	k.lateral = across.mul(c).sub(shaft.mul(s)) // the lateral side is the higher
	k.out = shaft.mul(c).add(across.mul(s))
	k.front = k.out.cross(k.lateral)
	return k
}

// distal adds the condyles.
func (a Anatomy) distal(b *bone) {
	g, k := a.Girth, a.knee()
	t := math.Max(0.6, 0.14*a.Thickness)
	add := func(q quadric, wall, density float64) int {
		b.solids = append(b.solids, newSolid(q, wall, density*a.Density))
		return len(b.solids) - 1
	}
	axes := mat{k.lateral, k.front, k.out}
	var condyles [2]int
	for i, side := range [2]float64{1, -1} {
		s, c := sincosDeg(side * a.Joint.Lean[i])
		lean := mat{k.lateral.mul(c).add(k.out.mul(s)), k.front, k.out.mul(c).sub(k.lateral.mul(s))}
		w, h := g*a.Joint.Wide[i], g*a.Joint.Deep[i]
		// So deep that it touches the common tangent.
		deep := math.Hypot(w*s, h*c)
		at := k.at.add(k.lateral.mul(side * a.Condyles)).sub(k.out.mul(deep)).add(k.front.mul(-float64(i) * 2))
		condyles[i] = add(ellipsoid(at, lean, vec{w, 31 * g, h}), t*a.Joint.Plate, 0.8)
		if r := a.Joint.FemoralSpur[i]; r > 0 {
			add(ellipsoid(at.add(k.lateral.mul(side*(0.95*w-1))).add(k.out.mul(0.45*deep-r)).add(k.front.mul(3*r-9)), axes, vec{r, 1.6 * r, 0.9 * r}), 0.6, 0.9)
		}
	}
	b.condyleLateral, b.condyleMedial = condyles[0], condyles[1]
	mid := k.at.sub(k.out.mul(21 * g))
	// What joins them in front of the notch.
	add(ellipsoid(mid.add(k.out.mul(-14*g)).add(k.front.mul(10*g)), axes, vec{30 * g, 19 * g, 24 * g}), t, 0.75)
	// Epicondyles.
	add(ellipsoid(mid.add(k.lateral.mul(-a.Condyles-4*g)).add(k.out.mul(-13*g)), axes, vec{13 * g, 17 * g, 18 * g}), t, 0.7)
	add(ellipsoid(mid.add(k.lateral.mul(a.Condyles+3*g)).add(k.out.mul(-12*g)), axes, vec{12 * g, 17 * g, 17 * g}), t, 0.7)
}

// lower makes tibia, fibula and patella around the knee k, in a frame of their
// own: x lateral along the plateau, y forwards, z distal, 0 in the middle of the
// joint. turn brings that frame into the femur's.
func (a Anatomy) lower(k knee) (bones []*bone, turn mat) {
	g, j := a.Girth, a.Joint
	// The joint opens towards the wider side, and the tibia is bent back.
	open := math.Atan2(j.Space[0]-j.Space[1], 2*k.half)
	x := k.lateral.mul(math.Cos(open)).add(k.out.mul(math.Sin(open)))
	z := x.cross(k.front)
	s, c := sincosDeg(j.Flexed)
	turn = mat{x, k.front.mul(c).add(z.mul(s)), z.mul(c).sub(k.front.mul(s))}.transposed()

	space := (j.Space[0] + j.Space[1]) / 2
	top := space + 2.5
	wide := knots{[]float64{top, top + 3, top + 14, top + 35, top + 70, top + 220}, []float64{34 * g, 36 * g, 36 * g, 24 * g, 15.5 * g, 13 * g}}
	deep := knots{[]float64{top, top + 3, top + 14, top + 35, top + 70, top + 220}, []float64{19 * g, 22 * g, 24 * g, 22 * g, 17 * g, 14 * g}}
	wall := knots{[]float64{top, top + 30, top + 80, top + 160}, []float64{1.2, 1.8, 0.6 * a.Thickness, 0.8 * a.Thickness}}
	tibia := &bone{topZ: top, length: top + 300}
	tibia.outer, tibia.inner = pipe(top, top+300, func(z float64) (o, in station) {
		o = station{cx: -3 * g * smooth((z-top)/60), cy: -2*g - 6*g*smooth((z-top)/60), xp: wide.at(z), xn: wide.at(z), yp: deep.at(z), yn: deep.at(z), three: 0.05}
		in = o
		t := wall.at(z)
		in.xp, in.xn, in.yp, in.yn = in.xp-t, in.xn-t, in.yp-t, in.yn-t
		in.soft, in.density = 1.5, a.Density*(0.1+0.8*smooth((top+60-z)/60))
		return o, in
	})
	upright := mat{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}
	add := func(c, r vec, axes mat, wall, density float64) {
		tibia.solids = append(tibia.solids, newSolid(ellipsoid(c, axes, r), wall, density*a.Density))
	}
	t := math.Max(0.6, 0.14*a.Thickness) * j.Plate
	s, c = sincosDeg(j.Slope)
	sloped := mat{{1, 0, 0}, {0, c, -s}, {0, s, c}}
	for i, side := range [2]float64{1, -1} {
		// The plateau of a side, its top at the joint space's width.
		add(vec{side * 20 * g, -3 * g, space + 3.4}, vec{16.5 * g, 21 * g, 3.4}, sloped, t, 1.1)
		add(vec{side * 4 * g, -2 * g, space + 3}, vec{3.5 * g, 7 * g, j.Spines + 3}, sloped, 0.8, 1)
		if r := j.TibialSpur[i]; r > 0 {
			add(vec{side * 36 * g, -2 * g, space + r}, vec{1.3 * r, 2 * r, r}, sloped, 0.6, 0.9)
		}
	}
	patella := vec{j.PatellaSide * g, 38 * g, -j.Patella * g}
	add(patella, vec{22 * g, 10 * g, 22 * g}, upright, 1.4, 0.9)
	if r := j.Fabella; r > 0 {
		add(vec{20 * g, -36 * g, -18 * g}, vec{r, 0.8 * r, 1.2 * r}, upright, 0.7, 1)
	}

	fibula := &bone{topZ: space + j.FibulaTop, length: top + 300}
	fibula.outer, fibula.inner = pipe(fibula.topZ, fibula.length, func(z float64) (o, in station) {
		r := 6*g + 5*g*smooth((top+45*g-z)/(25*g))*smooth((z-fibula.topZ+2)/8)
		o = station{cx: 36*g - 6*g*smooth((z-top)/100), cy: -20 * g, xp: r, xn: r, yp: r, yn: r}
		in = o
		t := math.Min(2.2, 0.4*r)
		in.xp, in.xn, in.yp, in.yn = r-t, r-t, r-t, r-t
		in.soft, in.density = 0.6, 0.3*a.Density
		return o, in
	})
	return []*bone{tibia.bounded(), fibula.bounded()}, turn
}

// joined is the placement of a frame that turn and at bring into p's body frame.
func (p placement) joined(turn mat, at vec) placement {
	inverse := turn.transposed() // its rows are the frame's axes
	var r mat
	for i, row := range p.r {
		r[i] = inverse.mul(row)
	}
	return placement{r, r.transposed(), vec{}, p.world(at)}
}

// knee returns the frame of the knee of a mesh: the tangent common to its
// condyles, as seen from the front.
func (m *Mesh) knee() knee {
	lo, hi := math.Inf(1), math.Inf(-1)
	var end []vec
	for _, p := range m.Vertices {
		if p[2] > m.Length-30 {
			end = append(end, p)
			lo, hi = min(lo, p[0]), max(hi, p[0])
		}
	}
	k := knee{front: vec{0, 1, 0}, out: vec{0, 0, 1}}
	for range 10 {
		lateral, medial := end[0], end[0]
		least := math.Inf(-1)
		far := [2]float64{least, least}
		for _, p := range end {
			if d := p.dot(k.out); p[0] > (lo+hi)/2 && d > far[0] {
				lateral, far[0] = p, d
			} else if p[0] <= (lo+hi)/2 && d > far[1] {
				medial, far[1] = p, d
			}
		}
		d := lateral.sub(medial)
		k.at, k.half = lateral.add(medial).mul(0.5), d.norm()/2
		k.lateral = vec{d[0], 0, d[2]}.unit()
		k.out = k.lateral.cross(k.front)
	}
	return k
}

// condyles returns places on the detector that hold the distal outline of the
// lateral and the medial condyle.
func (t *stage) condyles(l *stagedLeg) (lateral, medial []geom.PointMM) {
	if b := l.femur; b != nil {
		return t.rim(&b.solids[b.condyleLateral].outer, &l.place, 1440), t.rim(&b.solids[b.condyleMedial].outer, &l.place, 1440)
	}
	k := l.mesh.knee()
	for _, p := range l.mesh.Vertices {
		d := p.sub(k.at)
		if d.dot(k.out) < -25 {
			continue
		}
		q := t.Beam.project(l.place.world(p))
		if d.dot(k.lateral) > 0 {
			lateral = append(lateral, q)
		} else {
			medial = append(medial, q)
		}
	}
	return lateral, medial
}

// extreme returns the place of p that lies farthest along dir.
func extreme(p []geom.PointMM, dir geom.PointMM) geom.PointMM {
	best := p[0]
	for _, q := range p {
		if q.Dot(dir) > best.Dot(dir) {
			best = q
		}
	}
	return best
}

// commonTangent returns where the tangent common to both condyles touches them;
// distal is a direction near its normal. On a lateral view, where they lie over
// each other, the most distal places.
func (t *stage) commonTangent(l *stagedLeg, distal geom.PointMM) (lateral, medial geom.PointMM) {
	a, b := t.condyles(l)
	for range 20 {
		lateral, medial = extreme(a, distal), extreme(b, distal)
		u := lateral.Sub(medial).Unit()
		n := geom.PointMM{X: -u.Y, Y: u.X}
		if n.Dot(distal) < 0 {
			n = n.Mul(-1)
		}
		if l.View != "AP" || n.Dot(distal) > 1-1e-12 {
			break
		}
		distal = n
	}
	return lateral, medial
}

// kneeMarks adds the landmarks of the knee to m; mid is the shaft's centre line.
func (t *stage) kneeMarks(m map[string]geom.PointMM, l *stagedLeg, mid []outline) {
	p, q := t.commonTangent(l, mid[len(mid)-1].centre.Sub(mid[len(mid)*3/4].centre).Unit())
	m["condyle_lateral"], m["condyle_medial"] = p, q
	m["knee_centre"] = p.Add(q).Mul(0.5)
}

// lower lays the bones below the knee k of the femur at p.
func (t *stage) lower(a Anatomy, k knee, p *placement) {
	bones, turn := a.lower(k)
	place := p.joined(turn, k.at)
	for _, b := range bones {
		t.bones = append(t.bones, stagedBone{b, &place})
	}
}
