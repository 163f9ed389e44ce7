package export

import (
	"fmt"
	"image"
	"image/color"
	"io"
	"maps"
	"math"
	"slices"
	"strings"

	"golang.org/x/image/draw"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// Picture is a small 8-bit grey copy of one frame, bone bright.
type Picture struct {
	Rows, Cols int
	Scale      float64 // picture pixels a film pixel: film (x, y) lies at ((x+0.5)·Scale−0.5, …)
	Grey       []byte  // rows × cols
}

// ReviewWords stand on every page that a person looks at.
const ReviewWords = "measurement for review; not a diagnosis"

// Sizes of an overlay in pixels.
const (
	longestSide = 1400 // of the film as drawn
	enlargeTo   = 900  // a smaller picture is enlarged to this
	panelWidth  = 560
	footer      = 34
)

// WriteOverlay writes what [Overlay] draws as PNG.
func WriteOverlay(w io.Writer, p Picture, femurs []measure.Femur) error {
	img, err := Overlay(p, femurs)
	if err != nil {
		return err
	}
	if err := writePNG(w, img); err != nil {
		return fmt.Errorf("export: overlay: %w", err)
	}
	return nil
}

// Overlay draws the film p with what was found on it: cortical edges, the
// mid-diaphyseal line, the fitted circle, the measured levels with their
// numbers, landmarks and, where the scale is known, a bar in millimetres.
// Beside the film stand its source, and for each femur side, view, status,
// numbers and reasons in words. It shows nothing else from the film's header.
//
// The femurs are those of one frame in the order of their rows; there is at
// least one, which names the source.
func Overlay(p Picture, femurs []measure.Femur) (*image.RGBA, error) {
	if p.Rows <= 0 || p.Cols <= 0 || len(p.Grey) != p.Rows*p.Cols || !finite(p.Scale) || p.Scale <= 0 {
		return nil, fmt.Errorf("export: overlay: picture of %d × %d, %d bytes, scale %g", p.Cols, p.Rows, len(p.Grey), p.Scale)
	}
	if len(femurs) == 0 {
		return nil, fmt.Errorf("export: overlay: no row")
	}
	longest := max(p.Rows, p.Cols)
	zoom := float64(min(max(longest, enlargeTo), longestSide)) / float64(longest)
	w := max(1, int(math.Round(float64(p.Cols)*zoom)))
	h := max(1, int(math.Round(float64(p.Rows)*zoom)))

	lines := layoutPanel(femurs)
	c := newCanvas(w+panelWidth, max(h, lines.height)+footer)
	film := image.Rect(0, 0, w, h)
	grey := &image.Gray{Pix: p.Grey, Stride: p.Cols, Rect: image.Rect(0, 0, p.Cols, p.Rows)}
	if film == grey.Rect {
		draw.Draw(c.img, film, grey, image.Point{}, draw.Src)
	} else {
		draw.CatmullRom.Scale(c.img, film, grey, grey.Rect, draw.Src, nil)
	}

	f := filmLayer{canvas: c, scale: p.Scale * zoom}
	c.clip = film
	for i := range femurs {
		if g := femurs[i].Geometry; g != nil {
			f.lines(g)
		}
	}
	for i := range femurs {
		if g := femurs[i].Geometry; g != nil {
			f.focal(g)
			f.labels(g, &femurs[i].Record, badge(femurs, i))
		}
	}
	f.scaleBar(&femurs[0].Record)

	c.clip = c.img.Rect
	c.fill(image.Rect(w, 0, w+1, c.img.Rect.Max.Y), rule)
	lines.draw(c, w)
	c.fill(image.Rect(0, c.img.Rect.Max.Y-footer, c.img.Rect.Max.X, c.img.Rect.Max.Y), rule)
	c.text(16, float64(c.img.Rect.Max.Y)-12, ReviewWords, style{bold: true, size: 16}, ink)
	return c.img, nil
}

// FilmOf is the part of an overlay of that size that shows the film, without the
// panel of text beside it.
func FilmOf(overlay image.Rectangle) image.Rectangle {
	overlay.Max = overlay.Max.Sub(image.Pt(panelWidth, footer))
	return overlay
}

// badge is the mark that ties a femur on the film to its block in the panel.
func badge(femurs []measure.Femur, i int) string {
	side := string(femurs[i].Record.Side)
	if len(femurs) == 1 && side != "" {
		return side
	}
	return fmt.Sprintf("%d%s", i+1, side)
}

// filmLayer draws in film coordinates.
type filmLayer struct {
	*canvas
	scale float64      // canvas pixels a film pixel
	taken [][4]float64 // labels placed so far: left, top, right, bottom
}

// at returns where a film point lies on the canvas.
func (f *filmLayer) at(p geom.PointPx) pt {
	return pt{(p.X + 0.5) * f.scale, (p.Y + 0.5) * f.scale}
}

func (f *filmLayer) path(p []geom.PointPx) []pt {
	var out []pt
	for _, q := range p {
		if !finitePoint(q) {
			continue
		}
		if a := f.at(q); len(out) == 0 || out[len(out)-1].dist(a) > 0.5 {
			out = append(out, a)
		}
	}
	return out
}

// lines draws what of g follows the bone.
func (f *filmLayer) lines(g *measure.Geometry) {
	for _, name := range slices.Sorted(maps.Keys(g.Contours)) {
		if strings.HasPrefix(name, "inner_") {
			f.haloed(f.path(g.Contours[name]), 1.4, orange)
		} else {
			f.haloed(f.path(g.Contours[name]), 1.4, skyBlue)
		}
	}
	f.haloed(f.path(g.Midline), 1.2, yellow)
	if c, ok := g.Circles["bow"]; ok {
		f.dotted(f.arc(c, g.Midline), reddishPurple)
	}
	if c, ok := g.Circles["head"]; ok && finitePoint(c.C) && finite(c.R) {
		f.ring(f.at(c.C), c.R*f.scale, 1.4, reddishPurple)
	}
	for _, name := range slices.Sorted(maps.Keys(g.Levels)) {
		l := g.Levels[name]
		if !finitePoint(l[0]) || !finitePoint(l[1]) {
			continue
		}
		a, b := f.at(l[0]), f.at(l[1])
		f.dashed([]pt{a, b}, 1, 3, 3, ink)
		for _, outer := range slices.Sorted(maps.Keys(g.Contours)) {
			side, ok := strings.CutPrefix(outer, "outer_")
			if !ok {
				continue
			}
			from, far := endsFrom(f.path(g.Contours[outer]), a, b)
			if to, ok := crossing(f.path(g.Contours["inner_"+side]), from, far); ok {
				f.haloed([]pt{from, to}, 3, bluishGreen)
			}
		}
	}
}

// arc returns the part of circle c along mid, and a tenth of it beyond either
// end.
func (f *filmLayer) arc(c measure.CirclePx, mid []geom.PointPx) []pt {
	if len(mid) < 2 || !finitePoint(c.C) || !finite(c.R) || c.R <= 0 {
		return nil
	}
	bearing := func(p geom.PointPx) float64 { return math.Atan2(p.Y-c.C.Y, p.X-c.C.X) }
	from := bearing(mid[0])
	turn := math.Remainder(bearing(mid[len(mid)-1])-from, 2*math.Pi)
	var out []pt
	const steps = 96
	for i := range steps + 1 {
		sin, cos := math.Sincos(from + turn*(-0.1+1.2*float64(i)/steps))
		out = append(out, f.at(geom.PointPx{X: c.C.X + c.R*cos, Y: c.C.Y + c.R*sin}))
	}
	return out
}

// labels writes the names and numbers of g beside it.
func (f *filmLayer) labels(g *measure.Geometry, r *measure.Record, mark string) {
	small := style{size: 14}
	sides, known := measure.SideNames(r.View)
	if !known {
		sides, _ = measure.SideNames(measure.AP)
	}
	if mid := f.path(g.Midline); len(mid) > 1 && f.near(mid[0]) {
		up := mid[0].sub(mid[1])
		f.label(mid[0], up, 10, []run{{mark, style{bold: true, size: 18}, yellow}})
	}
	for _, name := range slices.Sorted(maps.Keys(g.Landmarks)) {
		a := f.at(g.Landmarks[name])
		if !f.near(a) {
			continue
		}
		f.ring(a, 6, 2, vermillion)
		f.label(a, f.away(g, a), 12, []run{{strings.ReplaceAll(name, "_", " "), small, ink}})
	}
	for _, name := range sortedLevels(g.Levels) {
		l := g.Levels[name]
		a, b := f.at(l[0]), f.at(l[1])
		if !f.near(a) || !f.near(b) {
			continue
		}
		levelName := run{levelText(name), small, faint}
		a, b = endsFrom(f.path(g.Contours["outer_"+sides[0]]), a, b)
		for _, end := range [...]struct {
			side    string
			at, far pt
			runs    []run
		}{{sides[0], a, b, []run{levelName}}, {sides[1], b, a, nil}} {
			if v, ok := r.Values[measure.Quantity(end.side+"_cortex_"+name+"_mm")]; ok && finite(v.X) {
				end.runs = append(end.runs, run{decimal(v.X, 1), style{bold: true, size: 14}, ink})
			}
			if len(end.runs) > 0 {
				f.label(end.at, end.at.sub(end.far), 6, end.runs)
			}
		}
	}
}

// away is the direction from the mid-line's nearest point to a.
func (f *filmLayer) away(g *measure.Geometry, a pt) pt {
	best, d := pt{}, math.Inf(1)
	for _, q := range f.path(g.Midline) {
		if q.dist(a) < d {
			best, d = a.sub(q), q.dist(a)
		}
	}
	return best
}

// sortedLevels returns the level labels, numbers in their order, then words.
func sortedLevels(levels map[string][2]geom.PointPx) []string {
	names := slices.Collect(maps.Keys(levels))
	slices.SortFunc(names, func(a, b string) int {
		if len(a) != len(b) {
			return len(a) - len(b)
		}
		return strings.Compare(a, b)
	})
	return names
}

// levelText names a level on the film.
func levelText(name string) string {
	if name != "" && strings.Trim(name, "0123456789") == "" {
		return name + " mm"
	}
	return name
}

// run is a piece of text in one style.
type run struct {
	s   string
	st  style
	col color.RGBA
}

// label writes runs on a dark plate gap pixels from p: in direction out if it
// is free there, else farther out, else to another side.
func (f *filmLayer) label(p, out pt, gap float64, runs []run) {
	const pad, between = 4, 6
	w, size := 2.0*pad-between, 0.0
	for _, r := range runs {
		w += f.width(r.s, r.st) + between
		size = max(size, r.st.size)
	}
	h := size + 2*pad
	if n := out.norm(); n > 0 && finite(n) {
		out = out.mul(1 / n)
	} else {
		out = pt{1, 0}
	}
	box := f.place(p, out, gap, w, h)
	f.taken = append(f.taken, box)
	f.fill(image.Rect(int(box[0]), int(box[1]), int(math.Ceil(box[2])), int(math.Ceil(box[3]))).Intersect(f.clip), plate)
	x := box[0] + pad
	for _, r := range runs {
		f.text(x, box[3]-pad-0.18*size, r.s, r.st, r.col)
		x += f.width(r.s, r.st) + between
	}
}

// place finds room for a w × h label near p. Where there is none it returns
// the first place tried, moved onto the film.
func (f *filmLayer) place(p, out pt, gap, w, h float64) [4]float64 {
	const edge = 2
	right, bottom := float64(f.clip.Max.X)-edge, float64(f.clip.Max.Y)-edge
	var first [4]float64
	for i, d := range []pt{out, {-out.y, out.x}, {out.y, -out.x}, {-out.x, -out.y}} {
		for step := range 4 {
			reach := gap + math.Abs(d.x)*w/2 + math.Abs(d.y)*h/2 + float64(step)*h/2
			m := p.add(d.mul(reach))
			box := [4]float64{m.x - w/2, m.y - h/2, m.x + w/2, m.y + h/2}
			if i == 0 && step == 0 {
				first = box
			}
			if box[0] >= edge && box[1] >= edge && box[2] <= right && box[3] <= bottom &&
				!slices.ContainsFunc(f.taken, func(t [4]float64) bool {
					return box[0] < t[2] && t[0] < box[2] && box[1] < t[3] && t[1] < box[3]
				}) {
				return box
			}
		}
	}
	dx := max(min(first[0], right-w), edge) - first[0]
	dy := max(min(first[1], bottom-h), edge) - first[1]
	return [4]float64{first[0] + dx, first[1] + dy, first[2] + dx, first[3] + dy}
}

// scaleBar draws a bar of a round number of millimetres at the lower left, if
// the film has a scale.
func (f *filmLayer) scaleBar(r *measure.Record) {
	if !(r.PixelMM > 0) || !finite(r.PixelMM) {
		return
	}
	perMM := f.scale / r.PixelMM
	mm := 0.0
	for _, try := range []float64{1, 2, 5, 10, 20, 50, 100} {
		if try*perMM <= float64(f.clip.Dx())/3 {
			mm = try
		}
	}
	if mm*perMM < 20 {
		return
	}
	x0, y := 18.0, float64(f.clip.Max.Y)-20
	x1 := x0 + mm*perMM
	s, st := decimal(mm, 0)+" mm", style{bold: true, size: 15}
	f.fill(image.Rect(int(x0)-8, int(y)-30, int(max(x1, x0+f.width(s, st)))+9, int(y)+12).Intersect(f.clip), plate)
	f.stroke([]pt{{x0, y}, {x1, y}}, 3, ink)
	f.stroke([]pt{{x0, y - 5}, {x0, y + 5}}, 2, ink)
	f.stroke([]pt{{x1, y - 5}, {x1, y + 5}}, 2, ink)
	f.text(x0, y-11, s, st, ink)
}

// endsFrom returns the ends a and b of a level, the one at the line first.
func endsFrom(line []pt, a, b pt) (near, far pt) {
	if nearest(line, b) < nearest(line, a) {
		return b, a
	}
	return a, b
}

// nearest returns the distance from p to the line, infinite for no line.
func nearest(line []pt, p pt) float64 {
	best := math.Inf(1)
	for i, a := range line {
		best = min(best, a.dist(p))
		if i == 0 {
			continue
		}
		b := line[i-1]
		d := a.sub(b)
		if n := d.norm(); n > 0 {
			q := p.sub(b)
			t := min(max((q.x*d.x+q.y*d.y)/(n*n), 0), 1)
			best = min(best, lerp(b, a, t).dist(p))
		}
	}
	return best
}

// crossing returns where the line first meets the segment from a to b.
func crossing(line []pt, a, b pt) (pt, bool) {
	first := math.Inf(1)
	for i := 1; i < len(line); i++ {
		u, v := b.sub(a), line[i].sub(line[i-1])
		den := cross(u, v)
		if den == 0 {
			continue
		}
		w := line[i-1].sub(a)
		t, s := cross(w, v)/den, cross(w, u)/den
		if t >= 0 && t <= 1 && s >= 0 && s <= 1 {
			first = min(first, t)
		}
	}
	if math.IsInf(first, 1) {
		return pt{}, false
	}
	return lerp(a, b, first), true
}
