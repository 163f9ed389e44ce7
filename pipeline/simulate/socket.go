package simulate

import (
	"math/rand/v2"
)

// hipFrame is where a hip's socket is laid: the head's centre and radius, and the
// directions of the body there.
type hipFrame struct {
	head                     vec
	r                        float64
	medial, distal, anterior vec // of unit length
}

func newHipFrame(h, m, f vec, r float64) hipFrame {
	a := m.cross(f).unit()
	if a[2] < 0 {
		a = a.mul(-1)
	}
	return hipFrame{h, r, m, f, a}
}

// along returns the direction of these parts medially, distally and anteriorly.
func (b hipFrame) along(m, f, a float64) vec {
	return b.medial.mul(m).add(b.distal.mul(f)).add(b.anterior.mul(a))
}

// Ranges of the socket as textbooks of the hip's radiograph describe it: a dense
// roof (sourcil), a joint space of 2 to 5 mm or none, the floor deeper than the
// roof, teardrop, lines of the walls and of ilium and ischium, spurs (common
// practice, no source; all ranges go beyond that).
var socketRanges = struct {
	space, worn, wide, shift              span // mm
	inclination, anteversion              span // degrees that the opening faces: from distal to lateral, forwards
	depth                                 span // mm that the opening lies beyond the middle
	plate, plateDense                     span
	roof, roofDense, roofAt               span // mm at its thickest; degrees lateral of proximal
	cup, cupDense                         span // a plate that is all there is
	bed, bedDense                         span // trabeculae behind the plate
	floor, floorWall, floorDense          span
	line, lineDense                       span
	spur, spurDense, rim, rimDense, cleft span
}{
	space: span{1.5, 5}, worn: span{0, 1}, wide: span{5, 8}, shift: span{-1.8, 1.8},
	inclination: span{30, 65}, anteversion: span{-5, 35}, depth: span{-4, 9},
	plate: span{0.5, 3.5}, plateDense: span{0.1, 1},
	roof: span{1, 7}, roofDense: span{0.1, 1}, roofAt: span{-25, 45},
	cup: span{1.5, 5}, cupDense: span{0.2, 1},
	bed: span{3, 25}, bedDense: span{0.03, 0.3},
	floor: span{1.5, 9}, floorWall: span{0.7, 2.5}, floorDense: span{0.2, 0.9},
	line: span{0.8, 2.2}, lineDense: span{0.2, 1},
	spur: span{2, 7}, spurDense: span{0.15, 0.7}, rim: span{0.4, 2}, rimDense: span{-0.12, 0.5}, cleft: span{1.5, 4},
}

// socket draws the bone around a head: what of it is there, how dense and how
// thick, differs from film to film.
func (b hipFrame) socket(rng *rand.Rand) (out []shell) {
	v := &socketRanges
	even := func(s span) float64 { return s.even(rng) }
	chance := func(p float64) bool { return rng.Float64() < p }
	space := even(v.space)
	switch {
	case chance(0.15):
		space = even(v.worn)
	case chance(0.1):
		space = even(v.wide)
	}
	c := b.head.add(b.along(even(v.shift), even(v.shift), even(v.shift)))
	sn, cs := sincosDeg(even(v.inclination))
	sa, ca := sincosDeg(even(v.anteversion))
	into := b.along(sn*ca, -cs*ca, -sa) // away from the opening
	mouth := half{into, c.sub(into.mul(even(v.depth)))}
	q := b.r + space
	layer := func(c vec, inner, outer, dense float64, cuts ...half) {
		out = append(out, shell{outer: sphere(c, outer), inner: sphere(c, inner), cuts: cuts, dense: dense})
	}
	plate := even(v.plate)
	bare := chance(0.2) // nothing but a dense cup
	if bare {
		layer(c, q, q+even(v.cup), even(v.cupDense), mouth)
	}
	if !bare && chance(0.75) {
		cuts := []half{mouth}
		if chance(0.6) { // it ends where the deeper floor begins
			sn, cs := sincosDeg(span{-30, 40}.even(rng))
			n := b.along(-sn, -cs, 0)
			cuts = append(cuts, half{n, c.add(n.mul(span{-0.4, 0.5}.even(rng) * b.r))})
		}
		layer(c, q, q+plate, even(v.plateDense), cuts...)
	}
	if !bare && chance(0.75) { // the roof is thickest in its middle
		sn, cs := sincosDeg(even(v.roofAt))
		up := b.along(-sn, -cs, span{-0.3, 0.3}.even(rng)).unit()
		thick := even(v.roof)
		s := shell{inner: sphere(c, q), outer: sphere(c.add(up.mul(thick/2)), q+thick/2), dense: even(v.roofDense), cuts: []half{mouth}}
		if chance(0.5) {
			s.cuts = append(s.cuts, half{up, c.add(up.mul(span{0, 0.7}.even(rng) * b.r))})
		}
		out = append(out, s)
	}
	if !bare && chance(0.6) {
		layer(c, q, q+plate+even(v.bed), even(v.bedDense), mouth)
	}
	if chance(0.7) { // floor of the fossa
		d := b.along(span{0.7, 1}.even(rng), span{-0.2, 0.6}.even(rng), 0).unit()
		deep := q + even(v.floor)
		layer(c, deep, deep+even(v.floorWall), even(v.floorDense), half{d, c.add(d.mul(span{0.2, 0.8}.even(rng) * b.r))})
	}
	k := b.r / 24
	bone := func(m, f, a float64, turn float64, r vec, wall, dense, fill float64) {
		sn, cs := sincosDeg(turn)
		e := ellipsoid(b.head.add(b.along(m*b.r, f*b.r, a*b.r)), mat{b.along(cs, sn, 0), b.along(-sn, cs, 0), b.anterior}, r.mul(k))
		out = append(out, shell{outer: e, inner: e.inset(wall), dense: dense, fill: fill})
	}
	jitter := func(at, by float64) float64 { return at + by*(2*rng.Float64()-1) }
	if chance(0.7) { // teardrop
		bone(jitter(1.2, 0.12), jitter(0.65, 0.3), jitter(0, 0.3), jitter(8, 15), vec{jitter(4.5, 2), jitter(13, 5), jitter(8, 3)}, even(v.line), even(v.lineDense), 0.2)
	}
	for _, at := range [2]float64{-0.3, 0.4} { // lines of ischium, behind, and pubis, in front
		if chance(0.6) {
			bone(jitter(1.25, 0.3), jitter(-0.2, 0.6), at, jitter(15, 20), vec{jitter(4, 2), jitter(50, 15), jitter(13, 6)}, even(v.line), even(v.lineDense), even(v.bedDense))
		}
	}
	for _, at := range [2]float64{-1.1, 1.1} { // walls that cross the head: their edges end near the mouth
		if chance(0.6) {
			n := b.along(jitter(0.85, 0.3), jitter(0.35, 0.5), 0).unit()
			e := ellipsoid(b.head.add(b.along(jitter(0.7, 0.4)*b.r, jitter(0, 0.3)*b.r, at*b.r)), mat{b.medial, b.distal, b.anterior}, vec{jitter(24, 8), jitter(28, 8), jitter(6, 3)}.mul(k))
			out = append(out, shell{outer: e, inner: e.inset(even(v.line)), dense: even(v.lineDense), fill: jitter(0.6, 0.5),
				cuts: []half{{n, b.head.add(n.mul(jitter(-0.15, 0.6) * b.r))}}})
		}
	}
	lump := func(at vec, size, dense float64) {
		e := ellipsoid(at, mat{b.medial, b.distal, b.anterior}, vec{size * jitter(1.2, 0.5), size * jitter(1.2, 0.5), size * 1.5})
		out = append(out, shell{outer: e, inner: e.inset(span{0.4, 1.5}.even(rng)), dense: dense, fill: dense * jitter(0.8, 0.8)})
	}
	for range rng.IntN(4) { // spurs of the socket's edge and of the head's, a bump at the neck
		if chance(0.35) {
			size := even(v.spur)
			sn, cs := sincosDeg(360 * rng.Float64())
			lump(b.head.add(b.along(sn, cs, jitter(0, 0.5)).unit().mul(b.r+jitter(0, 3))), size, even(v.spurDense))
		}
	}
	if chance(0.45) { // dense or pale bone beneath the head's own rim
		layer(b.head, b.r-even(v.rim), b.r-0.1, even(v.rimDense))
	}
	if chance(0.2) { // fovea
		d := b.along(span{0.7, 1}.even(rng), span{-0.2, 0.5}.even(rng), jitter(0, 0.3)).unit()
		e := sphere(b.head.add(d.mul(b.r+0.5)), even(v.cleft)+1)
		out = append(out, shell{outer: e, inner: e.inset(0.3), dense: -0.1, fill: -0.8})
	}
	if chance(0.3) { // fat along the capsule
		d := b.along(-1, jitter(0, 1), 0).unit()
		far := b.r + span{4, 16}.even(rng)
		layer(b.head.add(d.mul(span{0, 12}.even(rng))), far, far+span{1.5, 5}.even(rng), -0.06*rng.Float64(), half{d, b.head})
	}
	return out
}
