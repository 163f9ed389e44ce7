package simulate

import "math"

// stripEdges are the silhouettes of a strip's cortex on one mm of it, in
// columns of the picture.
type stripEdges struct{ outer, inner, bareOuter, bareInner float64 }

// edgesAt returns the silhouettes at a row of the picture.
func (j *stripJob) edgesAt(row float64, rings *polarLine) stripEdges {
	p, a := j.rowAt(row)
	s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
	surfaces := [4][]float32{j.p.out, j.p.in, j.p.bareOut, j.p.bare}
	var v [4]float64
	for i, q := range surfaces {
		if i > 1 && len(j.focal) == 0 {
			v[i] = v[i-2]
			continue
		}
		s.cut(j.p, q, []float64{0}, rings.ring[:1])
		v[i], _ = rings.ring[0].edges()
		v[i] /= StripAcross * j.unit
	}
	return stripEdges{v[0], v[1], v[2], v[3]}
}

// labelBeyond is how many rows of labels beyond either end of a strip are looked at for
// thickenings that reach into it.
const labelBeyond = 30

// label fills the labels of a strip whose picture is v and whose fine pixels are
// hidden by letters and metal.
func (j *stripJob) label(out *Strip, v, hidden []float32) {
	const n = StripRows / 2
	rings := &polarLine{}
	var e [n + 2*labelBeyond]stripEdges
	var height [len(e)]float64
	for i := range e {
		e[i] = j.edgesAt(2*float64(i-labelBeyond)+0.5, rings)
		height[i] = StripAcross * (e[i].bareOuter - e[i].outer + e[i].inner - e[i].bareInner)
	}
	look := stripLook{stripJob: j, v: v, hidden: hidden, plate: j.Plate.grid()}
	for r := range n {
		q := e[r+labelBeyond]
		out.Row[r] = StripRow{Outer: q.outer, Inner: q.inner, BareOuter: q.bareOuter, BareInner: q.bareInner,
			OuterHeight: StripAcross * (q.bareOuter - q.outer), InnerHeight: StripAcross * (q.inner - q.bareInner), Peak: math.NaN()}
		if j.side != 0 {
			out.Row[r].Focal = -2
		}
		look.mark(&out.Row[r], r, q)
	}
	j.markFocal(out, height[:])
	for _, l := range j.lines {
		j.markLine(out, l, e[labelBeyond:labelBeyond+n], rings)
	}
}

// stripLook tells what can be seen of a strip's edges.
type stripLook struct {
	*stripJob
	v, hidden []float32
	plate     grid
}

// mark sets whether the edges q of the r-th row of labels can be seen: 1, not 0, or −1
// where that is not said.
func (l *stripLook) mark(t *StripRow, r int, q stripEdges) {
	j := l.stripJob
	p, a := j.rowAt(2*float64(r) + 0.5)
	s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
	z := s.z(j.leg.centreAt(j.p, s.z(j.leg.centreAt(j.p, s.p[2]))))
	wall := q.inner - q.outer // columns
	t.OuterSeen = l.seen(r, q.outer, min(5, 0.6*wall), -5)
	t.InnerSeen = l.seen(r, q.inner, -min(5, 0.5*wall), 6)
	if i := max(0, min(int((z-j.p.z0)/polarStep), j.p.n-1)); wall < 2.5 || j.p.soft[i] > 1.9 {
		t.InnerSeen = min(t.InnerSeen, 0)
	}
	if z < j.p.z0+2 || z > j.p.z(j.p.n-1)-2 || z > j.leg.Anatomy.Length-65 {
		t.OuterSeen, t.InnerSeen = -1, -1
	}
	// Beside the shaft a trochanter or a condyle may stand out.
	for k := range j.solids {
		if sd := &j.solids[k]; z > sd.lo-6 && z < sd.hi+6 {
			for _, col := range [2]float64{q.outer - 1, q.outer - 4} {
				across := col * StripAcross * j.unit
				o := j.leg.place.body(vec{p.X + a.X*across, p.Y + a.Y*across, 0})
				d := j.leg.place.body(j.Beam.source()).sub(o).unit()
				if _, _, hit := sd.outer.cross(o, d); hit {
					t.OuterSeen, t.InnerSeen = -1, -1
				}
			}
		}
	}
}

// seen says whether an edge at a column of the r-th row of labels can be seen: dense and
// thin are how many columns from it the picture shows what is thicker and what is not.
func (l *stripLook) seen(r int, col, dense, thin float64) int8 {
	if !(col > 2 && col < StripCols-3) {
		return 0
	}
	p, a := l.rowAt(2*float64(r) + 0.5)
	pt := p.Add(a.Mul(col * StripAcross * l.unit))
	if !l.visible(pt, l.plate) || l.field.depth(pt) < 1.5*l.unit {
		return 0
	}
	for y := 2*r - 1; y <= 2*r+2; y++ {
		if y < 0 || y >= StripRows {
			continue
		}
		for x := int(2*col) - 5; x <= int(2*col)+6; x++ {
			if x >= 0 && x < fineCols && l.hidden[y*fineCols+x] > 0.3 {
				return 0
			}
		}
	}
	if stripMean(l.v, 2*r, col+dense)-stripMean(l.v, 2*r, col+thin) < 0.004 {
		return 0
	}
	return 1
}

// markFocal marks the rows of the thickenings, of which height is that of both surfaces
// by row, from labelBeyond rows before the strip on.
func (j *stripJob) markFocal(out *Strip, height []float64) {
	for _, k := range j.focal {
		// Its own rows: those whose places lie about its level.
		best, peak := -1, 0.0
		for i := range height {
			if z := j.levelAt(2*float64(i-labelBeyond) + 0.5); abs(z-k.Level) < 0.4*k.Length+2 && height[i] > peak {
				best, peak = i, height[i]
			}
		}
		if best < 0 || peak < stripNearly {
			continue
		}
		state := int8(1)
		if peak < stripLeast {
			state = -1
		}
		lo, hi := best, best
		for lo > 0 && height[lo-1] >= peak/2 {
			lo--
		}
		for hi < len(height)-1 && height[hi+1] >= peak/2 {
			hi++
		}
		top := middleOfTop(height, best)
		for i := max(lo-labelBeyond, 0); i <= min(hi-labelBeyond, StripRows/2-1); i++ {
			if t := &out.Row[i]; t.Focal != 1 {
				t.Focal, t.Peak = state, float64(top-labelBeyond-i)
			}
		}
	}
}

// levelAt is z where a row meets the centre line.
func (j *stripJob) levelAt(row float64) float64 {
	p, a := j.rowAt(row)
	s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
	return s.z(j.leg.centreAt(j.p, s.z(j.leg.centreAt(j.p, s.p[2]))))
}

// stripMean is the mean of v over 4 rows and 2 columns.
func stripMean(v []float32, row int, col float64) float32 {
	c := max(0, min(int(math.Floor(col)), StripCols-2))
	r := max(0, min(row-1, StripRows-4))
	var s float32
	for y := r; y < r+4; y++ {
		s += v[y*StripCols+c] + v[y*StripCols+c+1]
	}
	return s / 8
}

// markLine marks the cells in the cortex that a lucent line passes.
func (j *stripJob) markLine(out *Strip, l lucent, e []stripEdges, rings *polarLine) {
	const least = 0.45 // mm: half the width that is marked at the least
	half := max(l.half, least)
	for r := range e {
		p, a := j.rowAt(2*float64(r) + 0.5)
		s := newSection(&j.leg.place, j.Beam, p.X, p.Y, a.X, a.Y)
		z := s.z(j.leg.centreAt(j.p, s.p[2]))
		if abs(z-l.at[2]) > 14 || out.Row[r].OuterSeen != 1 { // what is hidden has no line
			continue
		}
		s.cut(j.p, j.p.out, []float64{0}, rings.ring[:1])
		for c := range StripCols / 2 {
			col := 2*float64(c) + 0.5
			if col < e[r].outer-0.5 || col > e[r].inner+1 {
				continue
			}
			u := max(col, e[r].outer+0.5) * StripAcross * j.unit
			lo, hi, hit := rings.ring[0].heights(u)
			if !hit {
				continue
			}
			q := p.Add(a.Mul(u))
			o := j.leg.place.body(vec{q.X, q.Y, 0})
			d := j.leg.place.body(j.Beam.source()).sub(o)
			m := o.at((lo+hi)/2/j.Beam.SID, d)
			if abs(m.sub(l.at).dot(l.normal)) < half && m[0] > l.inward-0.15 {
				out.Line[r*StripCols/2+c] = 1
			}
		}
	}
}
