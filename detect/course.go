package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// Cortex is one cortex of a shaft traced a second time, finer, along its own
// outer edge: what is a millimetre high and a centimetre long on it is left in
// place.
type Cortex struct{ Outer, Inner Edge }

const (
	fineStep     = 1.0  // mm between levels
	fineSpan     = 3.0  // mm along the cortex that one level averages
	fineRows     = 9    // places averaged over fineSpan
	finePasses   = 2    // the second along the edge that the first has found
	bridge       = 24.0 // mm of levels without an edge in the first trace, between others, that are tried
	fineJump     = 0.9  // mm from the line it is looked for at that an outer edge may lie,
	fineInner    = 1.3  // and an inner edge from the median of strayReach levels on either side
	strayReach   = 3
	fineBeside   = 20  // levels on either side that tell how far a fitted edge usually lies from that line
	fineFollowed = 0.3 // mm, the standard uncertainty of an edge that was followed only
)

// course is one cortex as a frame to sample in: places u mm along the mid-line
// and d mm below its outer edge, square to the mid-line.
type course struct {
	m      midline // levels every fineStep
	sign   float64 // of the normals that point to this cortex
	sp     geom.Spacing
	line   []float64 // distance from the mid-line by level at which the outer edge is looked for; NaN beyond the shaft's ends
	sure   []bool    // there is an edge at line
	ref    []float64 // the same of the shaft's own course
	outer  []float64 // distances of the edges from the mid-line by level; NaN where not found
	inner  []float64
	sOuter []float64
	sInner []float64
	strip  *Strip // what the network sees of it; nil where it was not asked
	hidden []bool // by metal
	letter []bool // a letter or the like lies there
}

// newCourse starts from the levels of the first trace.
func newCourse(t *shaftTrace, s int, sp geom.Spacing, hidden func(k, s int) bool) *course {
	c := &course{m: newMidline(t.m.p, fineStep), sign: outward[s], sp: sp}
	n := len(c.m.p)
	c.outer, c.inner = constant(n, math.NaN()), constant(n, math.NaN())
	c.sOuter, c.sInner = constant(n, math.NaN()), constant(n, math.NaN())
	c.hidden = make([]bool, n)
	per := levelStep / fineStep
	fill := func(dst []float64, get func(l level) (float64, bool)) {
		last, v0 := -1, 0.0
		for k, l := range t.side[s] {
			v, ok := get(l)
			if !ok {
				continue
			}
			if last >= 0 && float64(k-last)*levelStep <= bridge {
				for j := int(math.Ceil(float64(last) * per)); j <= min(int(float64(k)*per), n-1); j++ {
					u := (float64(j)/per - float64(last)) / float64(k-last)
					dst[j] = v0 + u*(v-v0)
				}
			}
			last, v0 = k, v
		}
	}
	fill(c.outer, func(l level) (float64, bool) { return l.outer, l.ok })
	fill(c.inner, func(l level) (float64, bool) { return l.inner, l.ok && l.innerOK })
	for j := range c.hidden {
		k := int(math.Round(float64(j) / per))
		c.hidden[j] = k < len(t.side[s]) && hidden(k, s)
	}
	return c
}

// at returns the film place u levels along and n mm from the mid-line.
func (c *course) at(u, n float64) (x, y float64) {
	r := c.across(u)
	return r.at(n)
}

// across is the line across the bone u levels along.
func (c *course) across(u float64) crossing {
	i := min(max(int(u), 0), len(c.m.p)-2)
	f := u - float64(i)
	a, b := c.m.p[i], c.m.p[i+1]
	na, nb := c.m.n[i], c.m.n[i+1]
	return crossing{geom.PointMM{X: a.X + f*(b.X-a.X), Y: a.Y + f*(b.Y-a.Y)}, geom.PointMM{X: na.X + f*(nb.X-na.X), Y: na.Y + f*(nb.Y-na.Y)}, c.sign, c.sp}
}

// crossing is a line across the bone from a place of the mid-line.
type crossing struct {
	from, along geom.PointMM
	sign        float64 // of along, towards the cortex
	sp          geom.Spacing
}

// at returns the film place n mm along.
func (r *crossing) at(n float64) (x, y float64) {
	n *= r.sign
	return (r.from.X + n*r.along.X) / r.sp.X, (r.from.Y + n*r.along.Y) / r.sp.Y
}

// edgeAt interpolates v between levels; NaN beside a level without it.
func edgeAt(v []float64, u float64) float64 {
	i := int(math.Floor(u))
	if i < 0 || i >= len(v) || i == len(v)-1 && u > float64(i) {
		return math.NaN()
	}
	if f := u - float64(i); f > 0 {
		return v[i] + f*(v[i+1]-v[i])
	}
	return v[i]
}

// profile returns the mean profile at level k of the places over fineSpan mm
// along the cortex, each from its own outer edge: n samples every dn mm from
// outsideMM outside it inward; nil where it leaves the film.
func (c *course) profile(g *plane, k, n int, dn float64, buf []float64) []float64 {
	buf = append(buf[:0], make([]float64, n)...)
	rows := 0.0
	for a := range fineRows {
		u := float64(k) + fineSpan/fineStep*(float64(a)/(fineRows-1)-0.5)
		o := edgeAt(c.line, u)
		if math.IsNaN(o) {
			continue
		}
		x0, y0 := c.at(u, o+outsideMM)
		x1, y1 := c.at(u, o+outsideMM-dn)
		g.addLine(buf, x0, y0, x1-x0, y1-y0)
		rows++
	}
	if rows < (fineRows+1)/2 {
		return nil
	}
	for j := range buf {
		buf[j] /= rows
	}
	return buf
}

// cortices traces both cortices of t anew: where the network is sure of its edges
// by those, elsewhere by a fit. hidden tells the levels of t of which metal hides a
// side; doubted: if it is as bright as metal. Where the network sees an edge of t
// elsewhere, or past its ends, no higher than the level from, that is mended.
func (t *shaftTrace) cortices(full *plane, sp geom.Spacing, hidden func(k, s int) bool, doubted bool, from int) (out [2]*course, err error) {
	f := fitter{}
	f.setBlur(t.blur, t.soft)
	for s := range 2 {
		beyond, mended, more := tileBeyond, false, true
		for more {
			out[s] = newCourse(t, s, sp, hidden)
			out[s].follow(full)
			if doubted {
				out[s].uncover(full)
			}
			if err := out[s].look(full, beyond); err != nil {
				return out, err
			}
			if more = !mended && t.mend(s, out[s]); more {
				mended = true
			} else if more = t.prolong(s, out[s], hidden, from); more {
				beyond = tileFar
			}
		}
	}
	dn := math.Max(0.15, math.Min(sp.X, sp.Y))
	for range finePasses {
		was := *out[1]
		out[0].fit(full, &f.model, dn, &was)
		out[1].fit(full, &f.model, dn, out[0])
	}
	for _, c := range out {
		c.letter = c.letters(full)
		for k, there := range c.letter {
			if there {
				c.outer[k], c.inner[k] = math.NaN(), math.NaN()
			}
		}
		c.takeSure()
	}
	return out, nil
}

const (
	coverFrom   = 0.5  // mm below the outer edge
	coverTo     = 3.0  // that are compared with
	coverBeside = 15   // levels on either side
	coverBright = 0.35 // of the contrast of bone to tissue that metal is brighter
)

// uncover takes back that metal hides c where it is no brighter there than
// beside: a thickening with a line through it can pass for a screw.
func (c *course) uncover(g *plane) {
	n := len(c.m.p)
	inside, outside := constant(n, math.NaN()), constant(n, math.NaN())
	mean := func(k int, from, to float64) float64 {
		sum, m := 0.0, 0.0
		for d := from; d <= to; d += letterStep {
			x, y := c.at(float64(k), c.line[k]-d)
			if v, ok := g.at(x, y); ok {
				sum += v
				m++
			}
		}
		return sum / m
	}
	for k := range n {
		if !math.IsNaN(c.line[k]) {
			inside[k], outside[k] = mean(k, coverFrom, coverTo), mean(k, -coverTo, -coverFrom)
		}
	}
	for a := 0; a < n; a++ {
		if !c.hidden[a] {
			continue
		}
		b := a
		for b < n && c.hidden[b] {
			b++
		}
		var bone, tissue []float64
		for k := max(0, a-coverBeside); k < min(n, b+coverBeside); k++ {
			if !c.hidden[k] && !math.IsNaN(inside[k]) && !math.IsNaN(outside[k]) {
				bone, tissue = append(bone, inside[k]), append(tissue, outside[k])
			}
		}
		if len(bone) >= coverBeside {
			usual := median(bone)
			limit := usual + coverBright*(usual-median(tissue))
			bright := 0
			for k := a; k < b; k++ {
				if !(inside[k] < limit) {
					bright++
				}
			}
			if bright == 0 {
				for k := a; k < b; k++ {
					c.hidden[k] = false
				}
			}
		}
		a = b
	}
}

// fit refines both edges at every level where the network is not sure of them; other
// is the cortex across the canal.
func (c *course) fit(full *plane, model *tubeModel, dn float64, other *course) {
	n := len(c.m.p)
	outer, inner := constant(n, math.NaN()), constant(n, math.NaN())
	so, si := constant(n, math.NaN()), constant(n, math.NaN())
	var buf []float64
	for k := range n {
		o := c.line[k]
		if math.IsNaN(o) || c.hidden[k] {
			continue
		}
		var sure bool
		if outer[k], inner[k], sure = c.sureAt(k); sure {
			continue
		}
		half, canal, thick := o, 0.6*o, 0.35*o
		if p := other.line[k]; !math.IsNaN(p) {
			half = (o + p) / 2
		}
		if i := c.inner[k]; !math.IsNaN(i) {
			thick, canal = o-i, math.Max(1.5, i)
			if p := other.inner[k]; !math.IsNaN(p) {
				canal = math.Max(1.5, (i+p)/2)
			}
		}
		length := int((outsideMM + thick + math.Min(canal, canalMM)) / dn)
		buf = c.profile(full, k, length, dn, buf)
		y, x0 := buf, -outsideMM
		for len(y) > 0 && math.IsNaN(y[0]) {
			y, x0 = y[1:], x0+dn
		}
		if x0 > -1.5 || len(y) == 0 || math.IsNaN(y[len(y)-1]) {
			continue
		}
		if !math.IsNaN(c.inner[k]) {
			if fit, ok := model.fit(y, x0, dn, 0, thick, half, canal); ok {
				outer[k], so[k] = o-fit.Outer, math.Sqrt(fit.VarOuter)
				inner[k], si[k] = outer[k]-fit.Thickness, math.Sqrt(fit.VarOuter+fit.VarThick+2*fit.CovOT)
				continue
			}
		}
		if fit, ok := model.fitOuter(y[:min(len(y), int((outerMM-x0)/dn))], x0, dn, 0, half); ok {
			outer[k], so[k] = o-fit.Outer, math.Sqrt(fit.VarOuter)
		}
	}
	off := constant(n, math.NaN())
	for k := range outer {
		if math.Abs(outer[k]-c.line[k]) <= fineJump {
			off[k] = outer[k] - c.line[k]
		} else {
			outer[k], inner[k] = math.NaN(), math.NaN()
		}
	}
	usual := medians(off, fineBeside)
	for k := range outer {
		// No model of a plain shaft fits a steep flank.
		if math.IsNaN(outer[k]) && c.sure[k] && !c.hidden[k] && !math.IsNaN(usual[k]) {
			outer[k], so[k] = c.line[k]+usual[k], fineFollowed
		}
		if !math.IsNaN(off[k]) {
			c.line[k] = outer[k]
		}
	}
	dropStray(inner, fineInner)
	c.outer, c.inner, c.sOuter, c.sInner = outer, inner, so, si
}

// dropStray blanks what lies farther than most from the median of its
// neighbours.
func dropStray(v []float64, most float64) {
	was := append([]float64(nil), v...)
	var near []float64
	for k := range v {
		near = near[:0]
		for j := max(0, k-strayReach); j <= min(len(v)-1, k+strayReach); j++ {
			if !math.IsNaN(was[j]) {
				near = append(near, was[j])
			}
		}
		if len(near) < strayReach || math.Abs(was[k]-median(near)) > most {
			v[k] = math.NaN()
		}
	}
}

// cortex writes the edges in film pixels.
func (c *course) cortex() (out Cortex) {
	for k := range c.m.p {
		if math.IsNaN(c.outer[k]) {
			continue
		}
		at := func(n float64) geom.PointPx {
			x, y := c.at(float64(k), n)
			return geom.PointPx{X: x, Y: y}
		}
		out.Outer.P, out.Outer.Sigma = append(out.Outer.P, at(c.outer[k])), append(out.Outer.Sigma, c.sOuter[k])
		if !math.IsNaN(c.inner[k]) {
			out.Inner.P, out.Inner.Sigma = append(out.Inner.P, at(c.inner[k])), append(out.Inner.Sigma, c.sInner[k])
		}
	}
	return out
}

// refine traces both cortices of f anew, but for what the metal of an implant
// hides; t takes the network's edges from the level from on. Small bright things on
// a film without an implant may be a thickening's own edges: letters tells.
func (t *shaftTrace) refine(f *Femur, full *plane, sp geom.Spacing, m metal, from int) error {
	c, err := t.cortices(full, sp, func(k, s int) bool {
		_, inner := m.hides(t, k, s)
		return inner && m.kind != ImplantNone || t.cutOff(k, s)
	}, m.kind == ImplantOther, from)
	if err != nil {
		return err
	}
	for s, c := range c {
		t.adopt(s, c, &m, from)
	}
	t.dropCutOff()
	f.CortexClockwise, f.CortexCounter = c[0].cortex(), c[1].cortex()
	f.fine, f.film, f.blur = c, full, t.blur
	return nil
}
