package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

const (
	stretchLevels = 15    // levels of a straight stretch
	stretchFound  = 12    // of them with both edges, at least
	stretchRMS    = 0.4   // mm of its mid-points about a line
	stretchTaper  = 0.12  // growth of the half width, mm per level
	stretchWidth  = 0.2   // of the shaft's width that a stretch may differ by,
	kinkWidth     = 0.35  // and what lies beside a kink: the shaft has begun to widen there
	stretchApart  = 25    // levels between two stretches, at most
	faintBreak    = 0.4   // of the median contrast: a fainter edge does not count
	boneBends     = 400.0 // mm, radius of bow of the most curved femur (common practice, no source)
	bendSlack     = 1.5   // degrees of error of the two directions
	bendFactor    = 2.0   // times that bend is no bone's
	stepOff       = 6.0   // mm by which a stretch lies beside the line that the other points along
)

// stretch is a straight part of a shaft: its middle and its direction.
type stretch struct{ at, dir geom.PointMM }

// broken tells whether the shaft falls into parts that do not meet: a part below some
// place has moved as it is, its mid-line has a kink that both outer edges share, or two
// straight stretches near each other lie beside one another by more than stepOff or turn
// by more than a bone can bend. from is the first level of the shaft.
func (t *shaftTrace) broken(from int) bool {
	if t.moved(from) {
		return true
	}
	mid, half := t.middles(from, kinkWidth)
	edges := t.outerPoints()
	for k := range mid {
		q, ok := newKink(mid, half, k, t.m.step)
		if !ok || !q.parts() {
			continue
		}
		a, _ := newKink(edges[0], half, k, t.m.step)
		b, _ := newKink(edges[1], half, k, t.m.step)
		if q.sharedBy(a) && q.sharedBy(b) {
			return true
		}
	}
	mid, half = t.middles(from, stretchWidth)
	n := len(mid)
	straight := make([]*stretch, n)
	for k := 0; k+stretchLevels <= n; k++ {
		straight[k] = newStretch(mid[k:k+stretchLevels], half[k:k+stretchLevels])
	}
	for i, a := range straight {
		if a == nil {
			continue
		}
		for j := i + stretchLevels; j < min(n, i+stretchLevels+stretchApart+1); j++ {
			if b := straight[j]; b != nil && a.parted(*b) {
				return true
			}
		}
	}
	return false
}

// middles returns the mid-points of the outer edges and half their distance; NaN for
// that at levels before from, where an edge is not found or faint, and where the
// bone's width differs from the shaft's by more than the share.
func (t *shaftTrace) middles(from int, share float64) (mid []geom.PointMM, half []float64) {
	n := len(t.m.p)
	mid, half = make([]geom.PointMM, n), constant(n, math.NaN())
	faint := [2]float64{t.faintest(0), t.faintest(1)}
	width := t.width()
	for k := max(0, from); k < n; k++ {
		a, b := t.side[0][k], t.side[1][k]
		if a.ok && b.ok && a.contrast >= faint[0] && b.contrast >= faint[1] && math.Abs(a.outer+b.outer-width) < share*width {
			half[k] = (a.outer + b.outer) / 2
			mid[k] = t.m.p[k].Add(t.m.n[k].Mul((a.outer - b.outer) / 2))
		}
	}
	return mid, half
}

// outerPoints are the places of both outer edges, where they are found.
func (t *shaftTrace) outerPoints() (edges [2][]geom.PointMM) {
	for s, sign := range outward {
		edges[s] = make([]geom.PointMM, len(t.m.p))
		for k, l := range t.side[s] {
			edges[s][k] = t.m.p[k].Add(t.m.n[k].Mul(sign * l.outer))
		}
	}
	return edges
}

// faintest is the least contrast of an edge of side s that counts.
func (t *shaftTrace) faintest(s int) float64 {
	var c []float64
	for _, l := range t.side[s] {
		if l.ok {
			c = append(c, l.contrast)
		}
	}
	if len(c) == 0 {
		return 0
	}
	return faintBreak * median(c)
}

// newStretch fits a line to the mid-points whose half width is known; nil where
// they are few, bent, or widen.
func newStretch(mid []geom.PointMM, half []float64) *stretch {
	var n, mx, my, mk, mh float64
	for k, h := range half {
		if h == h {
			n++
			mx += mid[k].X
			my += mid[k].Y
			mk += float64(k)
			mh += h
		}
	}
	if n < stretchFound {
		return nil
	}
	mx, my, mk, mh = mx/n, my/n, mk/n, mh/n
	var xx, xy, yy, kk, kh, kx, ky float64
	for k, h := range half {
		if h == h {
			x, y, i := mid[k].X-mx, mid[k].Y-my, float64(k)-mk
			xx += x * x
			xy += x * y
			yy += y * y
			kk += i * i
			kh += i * (h - mh)
			kx += i * x
			ky += i * y
		}
	}
	a := 0.5 * math.Atan2(2*xy, xx-yy)
	dir := geom.PointMM{X: math.Cos(a), Y: math.Sin(a)}
	if kx*dir.X+ky*dir.Y < 0 {
		dir = dir.Mul(-1)
	}
	across := xx*dir.Y*dir.Y - 2*xy*dir.X*dir.Y + yy*dir.X*dir.X
	if across > stretchRMS*stretchRMS*n || math.Abs(kh/kk) > stretchTaper {
		return nil
	}
	return &stretch{geom.PointMM{X: mx, Y: my}, dir}
}

// parted tells whether no bone goes from a on to b.
func (a stretch) parted(b stretch) bool {
	turn := math.Abs(math.Atan2(a.dir.X*b.dir.Y-a.dir.Y*b.dir.X, a.dir.Dot(b.dir)))
	way := b.at.Sub(a.at)
	between := a.dir.Add(b.dir).Unit()
	off := math.Abs(way.X*between.Y - way.Y*between.X)
	return off > stepOff || turn > bendFactor*(way.Norm()/boneBends+bendSlack*math.Pi/180)
}
