package detect

import (
	"math"
	"sort"

	"shaftgauge/measure/geom"
)

const (
	markerRays    = 96
	markerRound   = 0.04 // spread of a marker's radius over its rays, relative
	markerFill    = 0.90 // of its enclosing disc that a marker's blob fills, at least
	markerLargest = 1.7  // magnification that a marker can have at most
)

// Marker is a metal ball on a film: its centre and its diameter in mm of the
// detector's plane, with the standard uncertainty of the diameter.
type Marker struct {
	Centre   geom.PointPx
	Diameter float64
	Sigma    float64
}

// FindMarker looks for the bright disc of a metal ball whose true diameter is
// diameter mm, on a film whose Spacing is that of the detector's plane. It
// returns nil where there is none, or more than one size of disc could be it.
func FindMarker(img Image, diameter float64) (*Marker, error) {
	m, err := film16(img)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	px := math.Sqrt(img.Spacing.X * img.Spacing.Y)
	reduced, err := reduce(m, max(1, int(math.Round(reducedMM/px))))
	if err != nil {
		return nil, err
	}
	full := &plane{pix: img.Pixels, rows: img.Rows, cols: img.Cols, k: 1}
	var found []*Marker
	for _, b := range brightBlobs(reduced) {
		d := 2 * math.Sqrt(float64(len(b))/math.Pi) * reduced.k * px
		if d < 0.9*diameter || d > markerLargest*diameter {
			continue
		}
		if k := roundBlob(full, reduced, b, img.Spacing, d/2); k != nil && k.Diameter >= 0.99*diameter && k.Diameter <= markerLargest*diameter {
			found = append(found, k)
		}
	}
	if len(found) == 0 {
		return nil, nil
	}
	for _, k := range found[1:] {
		if math.Abs(k.Diameter-found[0].Diameter) > 0.02*found[0].Diameter {
			return nil, nil
		}
	}
	return found[0], nil
}

// brightBlobs returns the 4-connected sets of pixels within a tenth of the
// film's range from its brightest.
func brightBlobs(g *plane) [][]int {
	lo, hi := ends(g.pix)
	top := hi
	for _, v := range g.pix {
		top = math.Max(top, float64(v))
	}
	cut := uint16(top - 0.1*(top-lo))
	return components(len(g.pix), g.cols, false, func(i int) bool { return g.pix[i] >= cut })
}

// roundBlob measures the blob at full resolution along rays from its centre;
// nil when it is no disc.
func roundBlob(full, reduced *plane, cells []int, sp geom.Spacing, radius float64) *Marker {
	var x, y float64
	for _, i := range cells {
		x += float64(i % reduced.cols)
		y += float64(i / reduced.cols)
	}
	n := float64(len(cells))
	c := geom.PointMM{X: ((x/n+0.5)*reduced.k - 0.5) * sp.X, Y: ((y/n+0.5)*reduced.k - 0.5) * sp.Y}
	step := math.Min(sp.X, sp.Y) / 2
	for range 3 {
		r := make([]float64, 0, markerRays)
		var mx, my float64
		for a := range markerRays {
			t := 2 * math.Pi * float64(a) / markerRays
			if d, ok := steepest(full, sp, c, math.Cos(t), math.Sin(t), 0.7*radius, 1.35*radius, step); ok {
				r = append(r, d)
				mx += d * math.Cos(t)
				my += d * math.Sin(t)
			}
		}
		if float64(len(r)) < markerFill*markerRays {
			return nil
		}
		// First harmonic of the radius: the centre's offset.
		c = c.Add(geom.PointMM{X: 2 * mx / float64(len(r)), Y: 2 * my / float64(len(r))})
		sort.Float64s(r)
		spread := (r[len(r)*9/10] - r[len(r)/10]) / 2.563 // of a normal distribution
		mean := r[len(r)/2]
		radius = mean
		if math.Hypot(mx, my)*2/float64(len(r)) < 0.05 {
			if spread > markerRound*mean {
				return nil
			}
			return &Marker{Centre: sp.Px(c), Diameter: 2 * mean, Sigma: 2*spread/math.Sqrt(float64(len(r))) + step}
		}
	}
	return nil
}

// steepest returns the distance from c, along (dx, dy) between from and to, at
// which the film darkens most, to a part of a step.
func steepest(g *plane, sp geom.Spacing, c geom.PointMM, dx, dy, from, to, step float64) (float64, bool) {
	var v []float64
	for d := from; d <= to; d += step {
		z, ok := g.at((c.X+d*dx)/sp.X, (c.Y+d*dy)/sp.Y)
		if !ok {
			return 0, false
		}
		v = append(v, z)
	}
	best, fall := 0, 0.0
	slope := func(i int) float64 { return v[i-2] + v[i-1] - v[i+1] - v[i+2] }
	for i := 2; i+2 < len(v); i++ {
		if f := slope(i); f > fall {
			best, fall = i, f
		}
	}
	if best < 3 || best+3 >= len(v) {
		return 0, false
	}
	a, b, e := slope(best-1), fall, slope(best+1)
	off := 0.0
	if q := a - 2*b + e; q < 0 {
		off = clamp(0.5*(a-e)/q, -1, 1)
	}
	return from + (float64(best)+off)*step, true
}
