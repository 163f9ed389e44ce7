package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// along returns the part of the bone's contrast that is missing at (u, tilt),
// from depth from to depth to, mm, with its weight Σ contrast². v is the band as
// [lineBand.seen] gives it.
func (b *lineBand) along(v []float32, u int, tilt, from, to float64) (a, weight float64) {
	num := 0.0
	lean, contrast := b.lean(u, tilt)/b.step, b.column(b.contrast, u)
	for d := b.first(from); d < b.rows; d++ {
		depth := b.depthOf(d)
		if depth >= to {
			break
		}
		x, c := b.between(v, d, float64(u)+lean*depth), float64(contrast[d])
		if math.IsNaN(x) {
			continue
		}
		num += c * x
		weight += c * c
	}
	return num / weight, weight
}

// line measures a hit: its tilt in finer steps, then how deep it reaches. False
// where it goes on outside the bone, as a fold or a letter does.
func (b *lineBand) line(h lineHit) (l Line, ok bool, err error) {
	v, err := b.seen(h.width)
	if err != nil {
		return l, false, err
	}
	t := b.thick[h.u]
	to := lineDepths[h.depth] * t
	best, tilt, u := b.aim(v, h.u, h.tilt, to)
	if math.IsInf(best, -1) {
		return l, false, nil
	}
	depth := b.end(v, u, tilt, t)
	best, tilt, u = b.aim(v, u, tilt, depth) // the longer a line, the better it tells
	depth = b.end(v, u, tilt, t)
	per := fineStep / b.step
	at := func(d float64) geom.PointPx {
		along := float64(u) + b.lean(u, tilt)*d/b.step
		x, y := b.c.at(along/per, edgeAt(b.outer, float64(u)/per)-d)
		return geom.PointPx{X: x, Y: y}
	}
	l = Line{From: at(0), To: at(depth), Depth: depth / t, Angle: math.Atan(tilt) * 180 / math.Pi, Width: best * lineWidths[h.width], Contrast: float64(h.z)}
	l.SigmaDepth = math.Hypot(lineSigmaDepth, lineSigmaEnd/t)
	l.SigmaAngle = math.Hypot(lineSigmaAngle, math.Atan(lineSigmaAside/depth)*180/math.Pi)
	l.Sign = b.sign(u, tilt, depth)
	// In grey levels, so that bone and tissue compare.
	inside, weight := b.along(v, u, tilt, lineSkip, depth)
	n := (depth - lineSkip) / b.step
	grey := inside * math.Sqrt(weight/math.Max(n, 1))
	return l, !(b.outside(v, u, tilt) > lineOutsideShare*grey), nil
}

// aim returns the place and tilt near u and tilt at which most is missing from
// under the surface to depth to mm, and how much; −Inf for nowhere.
func (b *lineBand) aim(v []float32, u int, tilt, to float64) (most, tangent float64, at int) {
	most, tangent, at = math.Inf(-1), tilt, u
	deg := math.Atan(tilt) * 180 / math.Pi
	reach := int(math.Round(lineShift / b.step))
	for x := deg - lineTiltStep; x <= deg+lineTiltStep; x++ {
		for w := max(0, u-reach); w <= min(b.cols-1, u+reach); w++ {
			if a, _ := b.along(v, w, math.Tan(x*math.Pi/180), lineSkip, to); a > most {
				most, tangent, at = a, math.Tan(x*math.Pi/180), w
			}
		}
	}
	return most, tangent, at
}

const (
	lineShift = 0.4 // mm along the cortex by which a hit may move when it is measured

	// Standard uncertainties: of a line's depth, as a part of the cortex, and of its
	// end, mm; of its tilt, degrees, and of its end along the cortex, mm. Fitted on
	// films of two makings: the shorter a line, the less its tilt is known.
	lineSigmaDepth = 0.02
	lineSigmaEnd   = 0.4
	lineSigmaAngle = 1.0
	lineSigmaAside = 0.3

	// lineOutsideShare of a line's darkness within the bone may go on outside it.
	lineOutsideShare = 0.5
)

// sign is the mean along a line of the probability that the network sees one there;
// NaN where it did not look.
func (b *lineBand) sign(u int, tilt, depth float64) float64 {
	if b.c.strip == nil {
		return math.NaN()
	}
	sum, n := 0.0, 0.0
	per := fineStep / b.step
	outer := edgeAt(b.outer, float64(u)/per)
	for d := lineSkip; d <= depth; d += sliceMM {
		if p := b.c.strip.lineAt((float64(u)+b.lean(u, tilt)*d/b.step)/per, outer-d); p == p {
			sum += p
			n++
		}
	}
	return sum / n
}

// outside is the darkness of the line's continuation outside the bone, in grey
// levels.
func (b *lineBand) outside(v []float32, u int, tilt float64) float64 {
	sum, rows := 0.0, 0.0
	for d := 0; d < int((lineOutside-0.8)/b.step); d++ {
		x := b.between(v, d, float64(u)+tilt*b.depthOf(d)/b.step)
		if !math.IsNaN(x) {
			sum += x
			rows++
		}
	}
	if rows == 0 {
		return 0
	}
	return sum / rows
}

// end returns where along its tilt the line ends, mm below the outer surface: the
// change point between missing and whole bone.
func (b *lineBand) end(v []float32, u int, tilt, thick float64) float64 {
	var a, w, end []float64
	for from := lineSkip; from+sliceMM <= thick+sliceMM/2; from += sliceMM {
		x, weight := b.along(v, u, tilt, from, from+sliceMM)
		if math.IsNaN(x) {
			x, weight = 0, 0
		}
		a, w, end = append(a, x), append(w, weight), append(end, math.Min(from+sliceMM, thick))
	}
	best, at := math.Inf(1), thick
	for cut := 1; cut <= len(a); cut++ {
		sum, sw := 0.0, 0.0
		for i := range cut {
			sum += w[i] * a[i]
			sw += w[i]
		}
		cost := 0.0
		for i := range a {
			r := a[i]
			if i < cut && sw > 0 {
				r -= sum / sw
			}
			cost += w[i] * r * r
		}
		if cost < best {
			best, at = cost, end[cut-1]
		}
	}
	return at
}
