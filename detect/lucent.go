package detect

import (
	"math"

	"shaftgauge/measure/geom"
)

// Line is a dark line that runs from the outer surface of a cortex inward.
type Line struct {
	From, To geom.PointPx // at the outer surface and where it ends in the cortex
	Depth    float64      // part of the cortex that it crosses, 0 … 1
	Angle    float64      // degrees from square to the mid-line, + when it runs distally inward along the traced direction
	Width    float64      // mm, of a line without any bone in it
	Contrast float64      // over the noise of the same filter along the same cortex

	SigmaDepth, SigmaAngle float64
}

// LineScan is what a scan of one cortex for dark lines shows.
type LineScan struct {
	Lines []Line // the strongest first
	// Place and Floor tell, every few millimetres along the cortex, the narrowest
	// line without any bone in it, mm, that crosses half of the cortex and would
	// stand out of the noise.
	Place []geom.PointPx
	Floor []float64
}

// LineContrast is the contrast over the noise from which a line counts as seen
// where there is reason to look for one.
const LineContrast = 8.0

const (
	lineStep     = 0.1  // mm along and across the cortex
	lineReach    = 4.0  // mm along the cortex on either side that tell what is there without the line
	lineOutside  = 4.0  // mm outside the cortex that are looked at
	lineSkip     = 0.4  // mm below the outer surface where a line shows nothing
	lineTilt     = 48.0 // degrees
	lineTiltStep = 4.0
	lineAway     = 5.0 // mm between two lines
	lineFaint    = 4.0 // contrast over noise below which nothing is a line
	lineMost     = 6   // lines kept
	lineSmooth   = 10.0
	floorEvery   = 4.0 // mm
	sliceMM      = 0.3 // of depth, in which a line's end is looked for
)

var (
	lineWidths = [...]float64{0.25, 0.6, 1.0}     // mm
	lineDepths = [...]float64{0.3, 0.45, 0.65, 1} // parts of the cortex
)

// lineBand is a cortex straightened along its outer edge at full resolution:
// row d, d·lineStep − lineOutside mm below the outer surface, column u,
// u·lineStep mm along the mid-line.
type lineBand struct {
	c          *course
	outer      []float64 // distance of the outer edge from the mid-line by level, mm
	rows, cols int
	v          []float64 // grey
	contrast   []float64 // of bone against the tissue outside, smooth along the cortex
	thick      []float64 // mm by column; NaN where the cortex is not traced
	slope      []float64 // of the outer edge, mm a mm, by column
	kernels    [len(lineWidths)][]float64
}

// LucentLines scans one cortex for dark lines. Only a cortex of which both edges
// were traced is scanned.
func (f *Femur) LucentLines(clockwise bool) LineScan {
	s := 1
	if clockwise {
		s = 0
	}
	if f.fine[s] == nil {
		return LineScan{}
	}
	return f.fine[s].lines(f.film, f.blur)
}

func (c *course) lines(g *plane, blur Blur) (out LineScan) {
	b := c.band(g)
	if b == nil {
		return out
	}
	for i, w := range lineWidths {
		b.kernels[i] = lineKernel(w, blur)
	}
	var found []lineHit
	taken := make([]bool, b.cols)
	scans := b.scan()
	for len(found) < lineMost {
		hit := lineHit{z: lineFaint}
		for i := range scans {
			s := &scans[i]
			for u, a := range s.a {
				if z := a / s.sd; z > hit.z && !taken[u] { // false for NaN
					hit = lineHit{u, s.tilt, s.depth, s.width, z}
				}
			}
		}
		if hit.z <= lineFaint {
			break
		}
		for u := max(0, hit.u-int(lineAway/lineStep)); u < min(b.cols, hit.u+int(lineAway/lineStep)); u++ {
			taken[u] = true
		}
		if l, ok := b.line(hit); ok {
			out.Lines = append(out.Lines, l)
		}
		found = append(found, hit)
	}
	b.floor(&out, scans)
	return out
}

// band samples the cortex; nil where too little was traced.
func (c *course) band(g *plane) *lineBand {
	per := fineStep / lineStep
	// A line itself can hide the inner edge: there it goes on between what is seen.
	outer, inner := bridged(medians(c.outer, 3), bandBridge), bridged(medians(c.inner, 6), bandBridge)
	deepest := 0.0
	for k := range outer {
		if t := outer[k] - inner[k]; t > deepest {
			deepest = t
		}
	}
	if deepest <= 0 {
		return nil
	}
	b := &lineBand{c: c, outer: outer, cols: int(float64(len(c.m.p)-1)*per) + 1, rows: int((lineOutside+deepest+1)/lineStep) + 1}
	b.v = make([]float64, b.rows*b.cols)
	b.thick, b.slope = make([]float64, b.cols), make([]float64, b.cols)
	for u := range b.cols {
		at := float64(u) / per
		o := edgeAt(outer, at)
		b.thick[u] = o - edgeAt(inner, at)
		b.slope[u] = (edgeAt(outer, math.Min(at+2, float64(len(outer)-1))) - edgeAt(outer, math.Max(at-2, 0))) / 4 / fineStep
		x0, y0 := c.at(at, o+lineOutside)
		x1, y1 := c.at(at, o+lineOutside-lineStep)
		for d := range b.rows {
			v, ok := g.at(x0+float64(d)*(x1-x0), y0+float64(d)*(y1-y0))
			if !ok || math.IsNaN(o) || c.letter[int(math.Round(at))] || c.hidden[int(math.Round(at))] {
				v = math.NaN()
			}
			b.v[d*b.cols+u] = v
		}
	}
	b.contrast = make([]float64, len(b.v))
	w := int(lineSmooth / 2 / lineStep)
	outside := make([]float64, b.cols)
	for d := range b.rows {
		row := boxed(b.v[d*b.cols:(d+1)*b.cols], w)
		if d == 0 {
			n := int(lineOutside/2/lineStep) + 1
			for e := range n {
				for u, v := range boxed(b.v[e*b.cols:(e+1)*b.cols], w) {
					outside[u] += v / float64(n)
				}
			}
		}
		for u := range row {
			b.contrast[d*b.cols+u] = math.Max(row[u]-outside[u], 0)
			b.v[d*b.cols+u] -= row[u]
		}
	}
	return b
}

// bandBridge in levels is the longest stretch without an edge that a band goes
// across.
const bandBridge = 30

// bridged fills the stretches of at most so many unknown values between known
// ones with straight lines, in v itself.
func bridged(v []float64, most int) []float64 {
	last := -1
	for k, x := range v {
		if math.IsNaN(x) {
			continue
		}
		if last >= 0 && k-last-1 <= most {
			for j := last + 1; j < k; j++ {
				v[j] = v[last] + float64(j-last)/float64(k-last)*(x-v[last])
			}
		}
		last = k
	}
	return v
}

// medians returns the running medians of v over reach levels on either side; NaN
// where v has less than half of them.
func medians(v []float64, reach int) []float64 {
	out := make([]float64, len(v))
	var near []float64
	for k := range v {
		near = near[:0]
		for j := max(0, k-reach); j <= min(len(v)-1, k+reach); j++ {
			if !math.IsNaN(v[j]) {
				near = append(near, v[j])
			}
		}
		out[k] = math.NaN()
		if len(near) > reach {
			out[k] = median(near)
		}
	}
	return out
}

// boxed returns the running means of v over reach samples on either side, of
// what is known.
func boxed(v []float64, reach int) []float64 {
	sum, n := make([]float64, len(v)+1), make([]float64, len(v)+1)
	for i, x := range v {
		sum[i+1], n[i+1] = sum[i], n[i]
		if !math.IsNaN(x) {
			sum[i+1] += x
			n[i+1]++
		}
	}
	out := make([]float64, len(v))
	for i := range out {
		a, b := max(0, i-reach), min(len(v), i+reach+1)
		out[i] = (sum[b] - sum[a]) / (n[b] - n[a]) // NaN for none
	}
	return out
}

// lineKernel returns the weights that give the depth of a dark line of that
// width, as the film shows it, in a profile along the cortex: least squares
// with a parabola for what is there without it.
func lineKernel(width float64, blur Blur) []float64 {
	n := int(lineReach / lineStep)
	shape := make([]float64, 2*n+1)
	for i := range shape {
		x := float64(i-n) * lineStep
		v := blurredBox(x, width, blur.SigmaMM)
		if blur.Amount != 0 {
			v += blur.Amount * (v - blurredBox(x, width, math.Hypot(blur.SigmaMM, blur.RadiusMM)))
		}
		shape[i] = -v
	}
	// What is left of the shape beside a parabola, scaled to give 1 on the shape.
	var m [5]float64
	var r [3]float64
	for i, v := range shape {
		u := float64(i-n) / float64(n)
		p := 1.0
		for j := range m {
			m[j] += p
			if j < 3 {
				r[j] += p * v
			}
			p *= u
		}
	}
	// By symmetry the line's own part is nothing, and level and square remain.
	det := m[0]*m[4] - m[2]*m[2]
	a, c := (r[0]*m[4]-r[2]*m[2])/det, (m[0]*r[2]-m[2]*r[0])/det
	ss := 0.0
	k := make([]float64, len(shape))
	for i, v := range shape {
		u := float64(i-n) / float64(n)
		k[i] = v - a - c*u*u
		ss += k[i] * v
	}
	for i := range k {
		k[i] /= ss
	}
	return k
}

// blurredBox is a box of height 1 and the given width around 0, convolved with
// a Gaussian of sigma, at x.
func blurredBox(x, width, sigma float64) float64 {
	s := sigma * math.Sqrt2
	return (math.Erf((x+width/2)/s) - math.Erf((x-width/2)/s)) / 2
}

// lineScan is the response along the cortex to lines of one tilt, depth and
// width: the part of the bone's contrast that is missing.
type lineScan struct {
	tilt         float64 // tangent
	depth, width int     // index of lineDepths, lineWidths
	a            []float64
	sd           float64
}

// scan looks for lines of every tilt, depth and width from every place of the
// outer surface.
func (b *lineBand) scan() []lineScan {
	var out []lineScan
	num, den := make([]float64, b.cols), make([]float64, b.cols)
	var profile [len(lineDepths)][]float64
	for i := range profile {
		profile[i] = make([]float64, b.cols)
	}
	first := int((lineOutside + lineSkip) / lineStep)
	for deg := -lineTilt; deg <= lineTilt; deg += lineTiltStep {
		tilt := math.Tan(deg * math.Pi / 180)
		clear(num)
		clear(den)
		for i := range profile {
			for u := range profile[i] {
				profile[i][u] = math.NaN()
			}
		}
		for d := first; d < b.rows; d++ {
			depth := float64(d)*lineStep - lineOutside
			row, contrast := b.v[d*b.cols:(d+1)*b.cols], b.contrast[d*b.cols:(d+1)*b.cols]
			for u := range b.cols {
				t := b.thick[u]
				if !(depth <= t) {
					continue
				}
				// On a slanting surface a line of that tilt meets depth d elsewhere.
				v := edgeAt(row, float64(u)+tilt*depth/lineStep/(1+tilt*b.slope[u]))
				c := contrast[u]
				num[u] += c * v
				den[u] += c * c
				for i, part := range lineDepths {
					if depth+lineStep > part*t && depth <= part*t {
						profile[i][u] = num[u] / den[u]
					}
				}
			}
		}
		for i := range profile {
			for w, k := range b.kernels {
				s := lineScan{tilt: tilt, depth: i, width: w, a: correlate(profile[i], k)}
				if s.sd = spread(s.a); s.sd > 0 {
					out = append(out, s)
				}
			}
		}
	}
	return out
}

// correlate returns Σ k·v around every place; NaN where it needs what is not
// known.
func correlate(v, k []float64) []float64 {
	out := make([]float64, len(v))
	n := len(k) / 2
	for i := range v {
		out[i] = math.NaN()
		if i < n || i+n >= len(v) || math.IsNaN(v[i]) {
			continue
		}
		sum := 0.0
		for j, w := range k {
			sum += w * v[i-n+j]
		}
		out[i] = sum
	}
	return out
}

// spread is a robust standard deviation about 0 of what is known of v; NaN for
// none.
func spread(v []float64) float64 {
	var a []float64
	for _, x := range v {
		if !math.IsNaN(x) {
			a = append(a, math.Abs(x))
		}
	}
	if len(a) < int(20/lineStep) {
		return math.NaN()
	}
	return 1.4826 * median(a)
}

// lineHit is a place of a scan where it stands out.
type lineHit struct {
	u            int
	tilt         float64
	depth, width int
	z            float64
}

// along returns the part of the bone's contrast that is missing at (u, tilt),
// from depth a to b mm, with its weight Σ contrast².
func (b *lineBand) along(u int, tilt, from, to float64, k []float64) (a, weight float64) {
	n := len(k) / 2
	num := 0.0
	shear := tilt / lineStep / (1 + tilt*b.slope[u])
	for d := int(math.Ceil((lineOutside + from) / lineStep)); d < b.rows; d++ {
		depth := float64(d)*lineStep - lineOutside
		if depth >= to {
			break
		}
		row, c := b.v[d*b.cols:(d+1)*b.cols], b.contrast[d*b.cols+u]
		sum := 0.0
		for j, w := range k {
			sum += w * edgeAt(row, float64(u-n+j)+shear*depth)
		}
		if math.IsNaN(sum) {
			continue
		}
		num += c * sum
		weight += c * c
	}
	return num / weight, weight
}

// line measures a hit: its tilt in finer steps, then how deep it reaches. False
// where it goes on outside the bone, as a fold or a letter does.
func (b *lineBand) line(h lineHit) (l Line, ok bool) {
	k := b.kernels[h.width]
	t := b.thick[h.u]
	to := lineDepths[h.depth] * t
	best, tilt, u := math.Inf(-1), h.tilt, h.u
	deg := math.Atan(h.tilt) * 180 / math.Pi
	for x := deg - lineTiltStep; x <= deg+lineTiltStep; x++ {
		for v := max(0, h.u-4); v <= min(b.cols-1, h.u+4); v++ {
			if a, _ := b.along(v, math.Tan(x*math.Pi/180), lineSkip, to, k); a > best {
				best, tilt, u = a, math.Tan(x*math.Pi/180), v
			}
		}
	}
	if math.IsInf(best, -1) {
		return l, false
	}
	depth := b.depth(u, tilt, t, k)
	per := fineStep / lineStep
	at := func(d float64) geom.PointPx {
		along := float64(u) + tilt*d/lineStep/(1+tilt*b.slope[u])
		x, y := b.c.at(along/per, edgeAt(b.outer, float64(u)/per)-d)
		return geom.PointPx{X: x, Y: y}
	}
	l = Line{From: at(0), To: at(depth), Depth: depth / t, Angle: math.Atan(tilt) * 180 / math.Pi, Width: best * lineWidths[h.width], Contrast: h.z}
	l.SigmaDepth, l.SigmaAngle = lineSigmaDepth, lineSigmaAngle
	// In grey levels, so that bone and tissue compare.
	inside, weight := b.along(u, tilt, lineSkip, depth, k)
	n := (depth - lineSkip) / lineStep
	grey := inside * math.Sqrt(weight/math.Max(n, 1))
	if out := b.outside(u, tilt, k); out > lineOutsideShare*grey {
		return l, false
	}
	return l, true
}

// Standard uncertainties of a line's depth, as a part of the cortex, and tilt,
// degrees, fitted on simulated films of one seed.
const (
	lineSigmaDepth = 0.03
	lineSigmaAngle = 1.6
)

// lineOutsideShare of a line's darkness within the bone may go on outside it.
const lineOutsideShare = 0.5

// outside is the darkness of the line's continuation outside the bone, in grey
// levels.
func (b *lineBand) outside(u int, tilt float64, k []float64) float64 {
	n := len(k) / 2
	sum, rows := 0.0, 0.0
	for d := 0; d < int((lineOutside-0.8)/lineStep); d++ {
		depth := float64(d)*lineStep - lineOutside
		row := b.v[d*b.cols : (d+1)*b.cols]
		s := 0.0
		for j, w := range k {
			s += w * edgeAt(row, float64(u-n+j)+tilt*depth/lineStep)
		}
		if !math.IsNaN(s) {
			sum += s
			rows++
		}
	}
	if rows == 0 {
		return 0
	}
	return sum / rows
}

// depth returns where along its tilt the line ends, mm: the change point
// between missing and whole bone.
func (b *lineBand) depth(u int, tilt, thick float64, k []float64) float64 {
	var a, w, end []float64
	for from := lineSkip; from+sliceMM <= thick+sliceMM/2; from += sliceMM {
		x, weight := b.along(u, tilt, from, from+sliceMM, k)
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

// floor tells along the cortex which line it could have shown.
func (b *lineBand) floor(out *LineScan, scans []lineScan) {
	var worst float64
	for i := range scans {
		if s := &scans[i]; s.width == 0 && lineDepths[s.depth] == 0.45 && math.Abs(s.tilt) < 1e-9 {
			worst = s.sd
		}
	}
	if worst == 0 {
		return
	}
	per := fineStep / lineStep
	mean, n := 0.0, 0.0
	weight := make([]float64, b.cols)
	for u := range b.cols {
		weight[u] = math.NaN()
		if t := b.thick[u]; t > 0 {
			c := b.contrast[int((lineOutside+t/2)/lineStep)*b.cols+u]
			weight[u] = c
			if !math.IsNaN(c) {
				mean += c
				n++
			}
		}
	}
	mean /= n
	for u := 0; u < b.cols; u += int(floorEvery / lineStep) {
		if math.IsNaN(weight[u]) || weight[u] <= 0 {
			continue
		}
		x, y := b.c.at(float64(u)/per, edgeAt(b.outer, float64(u)/per))
		if math.IsNaN(x) {
			continue
		}
		out.Place = append(out.Place, geom.PointPx{X: x, Y: y})
		out.Floor = append(out.Floor, LineContrast*worst*lineWidths[0]*mean/weight[u])
	}
}
