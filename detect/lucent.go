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
	Sign     float64      // mean probability along it that the network sees a line there; NaN where it did not look

	SigmaDepth, SigmaAngle float64
}

// LineScan is what a scan of one cortex for dark lines shows.
type LineScan struct {
	Lines []Line // the strongest first
	// Place and Floor tell, every few millimetres along the cortex, the narrowest
	// line without any bone in it, mm, that crosses half of the cortex and would
	// stand out of the noise; +Inf where metal or a letter hides what is there.
	Place []geom.PointPx
	Floor []float64
}

// LineContrast is the contrast over the noise from which a line counts as seen
// where there is reason to look for one.
const LineContrast = 8.0

const (
	lineReach    = 4.0  // mm along the cortex on either side that tell what is there without the line
	lineOutside  = 4.0  // mm outside the cortex that are looked at
	lineSkip     = 0.4  // mm below the outer surface where a line shows nothing
	lineTilt     = 48.0 // degrees
	lineTiltStep = 4.0
	lineTilts    = 2*int(lineTilt/lineTiltStep) + 1
	lineAway     = 5.0 // mm between two lines
	lineMost     = 6   // lines kept
	lineSpread   = 0.6 // mm between the places that tell the noise of a filter
	floorEvery   = 4.0 // mm
	sliceMM      = 0.3 // of depth, in which a line's end is looked for
)

var (
	lineWidths = [...]float64{0.25, 0.6, 1.0}     // mm
	lineDepths = [...]float64{0.3, 0.45, 0.65, 1} // parts of the cortex
)

// LucentLines scans one cortex for dark lines. Only a cortex of which both edges
// were traced is scanned. least is the Sign from which a line counts: where the
// network looked and sees none as likely, there is none; 0 for all.
func (f *Femur) LucentLines(clockwise bool, least float64) (LineScan, error) {
	s := 1
	if clockwise {
		s = 0
	}
	if f.fine[s] == nil {
		return LineScan{}, nil
	}
	return f.fine[s].lines(f.film, f.blur, least)
}

func (c *course) lines(g *plane, blur Blur, least float64) (out LineScan, err error) {
	b := c.band(g, blur)
	if b == nil {
		return out, nil
	}
	tangents, most := lineTangents[:], lineMost
	if c.strip != nil && c.strip.likeliestLine() < least {
		tangents, most = lineTangents[lineTilts/2:lineTilts/2+1], 0 // only what tells the noise
	}
	best, noise, err := b.scan(tangents)
	if err != nil {
		return out, err
	}
	for range most {
		at := -1
		for u := range best {
			if best[u].z > LineContrast && (at < 0 || best[u].z > best[at].z) {
				at = u
			}
		}
		if at < 0 {
			break
		}
		l, ok, err := b.line(best[at])
		if err != nil {
			return out, err
		}
		if ok {
			out.Lines = append(out.Lines, l)
		}
		for u := max(0, at-int(lineAway/b.step)); u < min(b.cols, at+int(lineAway/b.step)); u++ {
			best[u].z = 0
		}
	}
	b.floor(&out, noise)
	return out, nil
}

// lineHit is the line that stands out most at a column of a band.
type lineHit struct {
	u            int
	tilt         float64 // tangent
	depth, width int     // index of lineDepths, lineWidths
	z            float32 // over the noise of its filter
}

// scan looks for lines of each of some tilts and of every depth and width from every
// place of the outer surface. noise is that of the narrowest line, square to the
// shaft and through half of the cortex.
func (b *lineBand) scan(tangents []float64) (best []lineHit, noise float64, err error) {
	const parts = len(lineDepths)
	f, err := newLineFilter(len(tangents)*parts, b.cols, true, b.kernels[:]...)
	if err != nil {
		return nil, 0, err
	}
	defer f.close()
	b.shear(f.in, tangents)
	b.clear = make([]bool, b.cols)
	best = make([]lineHit, b.cols)
	for u := range best {
		best[u].u = u
	}
	var sizes []float64
	for w, k := range b.kernels {
		found, err := f.apply(w)
		if err != nil {
			return nil, 0, err
		}
		n := len(k) / 2 // beyond the ends of which the kernel reaches
		for i := range len(tangents) * parts {
			row := found[i*b.cols:][:max(n, b.cols-n)]
			var sd float64
			if sd, sizes = b.spread(row[n:], sizes); !(sd > 0) {
				continue
			}
			if w == 0 && i%parts == 1 && tangents[i/parts] == 0 {
				noise = sd
				for u, a := range row[n:] {
					b.clear[n+u] = a == a
				}
			}
			per := float32(1 / sd)
			for u := n; u < len(row); u++ {
				if z := row[u] * per; z > best[u].z { // false for NaN
					best[u] = lineHit{u, tangents[i/parts], i % parts, w, z}
				}
			}
		}
	}
	return best, noise, nil
}

// lineTangents are the tilts tried.
var lineTangents = func() (out [lineTilts]float64) {
	for i := range out {
		out[i] = math.Tan((lineTiltStep*float64(i) - lineTilt) * math.Pi / 180)
	}
	return out
}()

// shear sets out to the part of the bone's contrast that is missing along each
// tilt over each of lineDepths, a row of columns each.
func (b *lineBand) shear(out []float32, tangents []float64) {
	const parts = len(lineDepths)
	first := b.first(lineSkip)
	for i := range out {
		out[i] = unknown
	}
	for u, thick := range b.thick {
		if !(thick > 0) {
			continue
		}
		c := b.column(b.contrast, u)
		var end [parts]int
		var weight [parts]float32
		for i, part := range lineDepths {
			end[i] = min(b.first(part*thick), b.rows)
			for d := first; d < end[i]; d++ {
				weight[i] += c[d] * c[d]
			}
		}
		for t, tangent := range tangents {
			lean := b.lean(u, tangent)
			sum := float32(0)
			d, x := first, float64(u)+lean*(float64(first)-lineOutside/b.step)
			for i := range parts {
				if last := x + lean*float64(end[i]-d); !(min(x, last) >= 0 && max(x, last) < float64(b.cols-1)) {
					break
				}
				for ; d < end[i]; d++ {
					j := int(x)
					v := b.v[j*b.rows+d : j*b.rows+d+b.rows+1]
					sum += c[d] * (v[0] + float32(x-float64(j))*(v[b.rows]-v[0]))
					x += lean
				}
				out[(t*parts+i)*b.cols+u] = sum / weight[i]
			}
		}
	}
}

// lean is by how many columns a line of that tilt from column u is displaced from
// row to row. On a slanting surface it meets a depth elsewhere than on a level one.
func (b *lineBand) lean(u int, tilt float64) float64 { return tilt / (1 + tilt*b.slope[u]) }

// first is the first row at least depth mm below the outer surface.
func (b *lineBand) first(depth float64) int { return int(math.Ceil((lineOutside + depth) / b.step)) }

func (b *lineBand) depthOf(d int) float64 { return float64(d)*b.step - lineOutside }

// between interpolates row d of v, laid out as the band, at column u; NaN beyond its ends.
func (b *lineBand) between(v []float32, d int, u float64) float64 {
	if !(u >= 0 && u < float64(b.cols-1)) {
		return math.NaN()
	}
	i := int(u)
	x, y := float64(v[i*b.rows+d]), float64(v[(i+1)*b.rows+d])
	return x + (u-float64(i))*(y-x)
}

// spread is a robust standard deviation about 0 of what is known of v; NaN for
// too little. sizes is scratch that it returns for the next call.
func (b *lineBand) spread(v []float32, sizes []float64) (float64, []float64) {
	sizes = sizes[:0]
	every := int(lineSpread / b.step)
	for u := 0; u < len(v); u += every {
		if x := float64(v[u]); x == x {
			sizes = append(sizes, math.Abs(x))
		}
	}
	if len(sizes)*every < int(20/b.step) {
		return math.NaN(), sizes
	}
	return 1.4826 * median(sizes), sizes
}

// floor tells along the cortex which line it could have shown.
func (b *lineBand) floor(out *LineScan, noise float64) {
	if noise == 0 {
		return
	}
	per := fineStep / b.step
	mean, n := 0.0, 0.0
	weight := make([]float64, b.cols)
	for u := range b.cols {
		weight[u] = math.NaN()
		if t := b.thick[u]; t > 0 {
			weight[u] = float64(b.column(b.contrast, u)[b.first(t/2)])
			if !math.IsNaN(weight[u]) {
				mean += weight[u]
				n++
			}
		}
	}
	mean /= n
	for u := 0; u < b.cols; u += int(floorEvery / b.step) {
		if math.IsNaN(weight[u]) || weight[u] <= 0 {
			continue
		}
		x, y := b.c.at(float64(u)/per, edgeAt(b.outer, float64(u)/per))
		if math.IsNaN(x) {
			continue
		}
		out.Place = append(out.Place, geom.PointPx{X: x, Y: y})
		floor := LineContrast * noise * lineWidths[0] * mean / weight[u]
		if !b.clear[u] {
			floor = math.Inf(1)
		}
		out.Floor = append(out.Floor, floor)
	}
}
