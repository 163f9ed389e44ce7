package export

import (
	"image"
	"image/color"
	"image/draw"
	"math"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// The palette of Okabe and Ito, told apart with every common colour vision.
//
// Source: M. Okabe, K. Ito, "Color Universal Design (CUD): how to make figures
// and presentations that are friendly to colorblind people", 2008; sRGB values
// as printed there.
var (
	orange        = color.RGBA{230, 159, 0, 255}
	skyBlue       = color.RGBA{86, 180, 233, 255}
	bluishGreen   = color.RGBA{0, 158, 115, 255}
	yellow        = color.RGBA{240, 228, 66, 255}
	vermillion    = color.RGBA{213, 94, 0, 255}
	reddishPurple = color.RGBA{204, 121, 167, 255}
)

// The greys of the page around the film.
var (
	ground = color.RGBA{18, 20, 23, 255}
	rule   = color.RGBA{58, 63, 70, 255}
	faint  = color.RGBA{158, 166, 176, 255}
	ink    = color.RGBA{240, 242, 245, 255}
	halo   = color.RGBA{0, 0, 0, 120}
	plate  = color.RGBA{0, 0, 0, 215} // under a label
)

// pt is a place on the canvas in its pixels, (0, 0) at the top left corner of
// the first.
type pt struct{ x, y float64 }

func (p pt) add(q pt) pt         { return pt{p.x + q.x, p.y + q.y} }
func (p pt) sub(q pt) pt         { return pt{p.x - q.x, p.y - q.y} }
func (p pt) mul(k float64) pt    { return pt{p.x * k, p.y * k} }
func (p pt) norm() float64       { return math.Hypot(p.x, p.y) }
func (p pt) dist(q pt) float64   { return p.sub(q).norm() }
func lerp(a, b pt, t float64) pt { return a.add(b.sub(a).mul(t)) }
func cross(a, b pt) float64      { return a.x*b.y - a.y*b.x }

// canvas draws antialiased lines, discs and text on an image.
type canvas struct {
	img   *image.RGBA
	clip  image.Rectangle // lines and discs stay inside
	faces map[style]font.Face
}

type style struct {
	bold bool
	size float64 // em in pixels
}

func newCanvas(w, h int) *canvas {
	c := &canvas{img: image.NewRGBA(image.Rect(0, 0, w, h)), faces: map[style]font.Face{}}
	c.clip = c.img.Rect
	c.fill(c.img.Rect, ground)
	return c
}

func (c *canvas) fill(r image.Rectangle, col color.RGBA) {
	draw.Draw(c.img, r, image.NewUniform(col), image.Point{}, draw.Over)
}

// stroke draws the line p, width pixels wide with round ends and joins.
func (c *canvas) stroke(p []pt, width float64, col color.RGBA) {
	h := width / 2
	var s shape
	for _, piece := range c.visible(p) {
		for i, a := range piece {
			s.disc(a, h)
			if i > 0 {
				s.bar(piece[i-1], a, h)
			}
		}
	}
	c.paint(&s, col)
}

// haloed draws the line p over a dark one a little wider, so that it shows on
// bright bone and on dark air alike.
func (c *canvas) haloed(p []pt, width float64, col color.RGBA) {
	c.stroke(p, width+2, halo)
	c.stroke(p, width, col)
}

// dashed draws p as dashes of on pixels with off pixels between.
func (c *canvas) dashed(p []pt, width, on, off float64, col color.RGBA) {
	for _, piece := range c.visible(p) {
		for _, d := range dashes(piece, on, off) {
			c.haloed(d, width, col)
		}
	}
}

// dotted draws p as dots 11 pixels apart.
func (c *canvas) dotted(p []pt, col color.RGBA) {
	for _, piece := range c.visible(p) {
		for _, dot := range dashes(piece, 0.5, 10.5) {
			c.haloed(dot, 3, col)
		}
	}
}

// margin is how far outside the clip a line is still followed, in pixels: more
// than half the width of any line.
const margin = 8

// near says whether p is on the clip or its margin.
func (c *canvas) near(p pt) bool {
	return p.x >= float64(c.clip.Min.X-margin) && p.x <= float64(c.clip.Max.X+margin) &&
		p.y >= float64(c.clip.Min.Y-margin) && p.y <= float64(c.clip.Max.Y+margin)
}

// visible returns the pieces of p on the clip and its margin, so that a line
// that leads far away costs no more than its visible part. A point that is not
// finite breaks the line.
func (c *canvas) visible(p []pt) [][]pt {
	var out [][]pt
	joined := false // the last piece ends at p[i-1]
	for i, b := range p {
		if len(p) == 1 && c.near(b) {
			return [][]pt{p}
		}
		if i == 0 {
			continue
		}
		a := p[i-1]
		from, to, ok := c.cut(a, b)
		if !ok {
			joined = false
			continue
		}
		if !joined {
			out = append(out, []pt{lerp(a, b, from)})
		}
		out[len(out)-1] = append(out[len(out)-1], lerp(a, b, to))
		joined = to == 1
	}
	return out
}

// cut returns the part of the segment from a (0) to b (1) that is near.
//
// Source: Y.-D. Liang, B. A. Barsky, ACM Trans. Graphics 3 (1984) 1–22.
func (c *canvas) cut(a, b pt) (from, to float64, ok bool) {
	d := b.sub(a)
	to = 1
	for _, e := range [...]struct{ p, q float64 }{
		{-d.x, a.x - float64(c.clip.Min.X-margin)}, {d.x, float64(c.clip.Max.X+margin) - a.x},
		{-d.y, a.y - float64(c.clip.Min.Y-margin)}, {d.y, float64(c.clip.Max.Y+margin) - a.y},
	} {
		switch {
		case !finite(e.p) || !finite(e.q) || e.p == 0 && e.q < 0:
			return 0, 0, false
		case e.p < 0:
			from = max(from, e.q/e.p)
		case e.p > 0:
			to = min(to, e.q/e.p)
		}
	}
	return from, to, from <= to
}

// ring draws a circle line of radius r around p.
func (c *canvas) ring(p pt, r, width float64, col color.RGBA) {
	var l []pt
	for i := range 49 {
		s, cs := math.Sincos(2 * math.Pi * float64(i) / 48)
		l = append(l, pt{p.x + r*cs, p.y + r*s})
	}
	c.haloed(l, width, col)
}

// dashes cuts p into pieces of length on that begin every on+off pixels.
func dashes(p []pt, on, off float64) [][]pt {
	var out [][]pt
	var cur []pt
	drawn, left := true, on
	for i, a := range p {
		if i == 0 {
			cur = []pt{a}
			continue
		}
		from := p[i-1]
		for d := from.dist(a); d > left; d = from.dist(a) {
			from = lerp(from, a, left/d)
			if drawn {
				out = append(out, append(cur, from))
				cur, left = nil, off
			} else {
				cur, left = []pt{from}, on
			}
			drawn = !drawn
		}
		left -= from.dist(a)
		if drawn {
			cur = append(cur, a)
		}
	}
	if drawn && len(cur) > 1 {
		out = append(out, cur)
	}
	return out
}

// shape is a union of convex polygons of one orientation.
type shape struct{ polygons [][]pt }

// bar adds the rectangle along a–b that reaches h to either side.
func (s *shape) bar(a, b pt, h float64) {
	d := b.sub(a)
	if d.norm() == 0 {
		return
	}
	n := pt{-d.y, d.x}.mul(h / d.norm())
	s.polygons = append(s.polygons, []pt{a.sub(n), b.sub(n), b.add(n), a.add(n)})
}

// disc adds a disc of radius r around p.
func (s *shape) disc(p pt, r float64) {
	n := max(8, int(4*r))
	poly := make([]pt, n)
	for i := range poly {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		poly[i] = pt{p.x + r*cos, p.y + r*sin}
	}
	s.polygons = append(s.polygons, poly)
}

// paint fills s inside the clip.
func (c *canvas) paint(s *shape, col color.RGBA) {
	lo, hi := pt{math.Inf(1), math.Inf(1)}, pt{math.Inf(-1), math.Inf(-1)}
	for _, poly := range s.polygons {
		for _, p := range poly {
			lo = pt{min(lo.x, p.x), min(lo.y, p.y)}
			hi = pt{max(hi.x, p.x), max(hi.y, p.y)}
		}
	}
	edge := c.clip
	if !(lo.x < float64(edge.Max.X) && lo.y < float64(edge.Max.Y) && hi.x > float64(edge.Min.X) && hi.y > float64(edge.Min.Y)) {
		return
	}
	box := image.Rect(
		int(math.Floor(max(lo.x, float64(edge.Min.X)))), int(math.Floor(max(lo.y, float64(edge.Min.Y)))),
		int(math.Ceil(min(hi.x, float64(edge.Max.X)))), int(math.Ceil(min(hi.y, float64(edge.Max.Y)))))
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	for _, poly := range s.polygons {
		for i, p := range poly {
			x, y := float32(p.x-float64(box.Min.X)), float32(p.y-float64(box.Min.Y))
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
	}
	r.Draw(c.img, box, image.NewUniform(col), image.Point{})
}

var fonts = sync.OnceValue(func() (f [2]*opentype.Font) {
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		parsed, err := opentype.Parse(ttf)
		if err != nil {
			panic("export: built-in font: " + err.Error())
		}
		f[i] = parsed
	}
	return f
})

func (c *canvas) face(s style) font.Face {
	if f, ok := c.faces[s]; ok {
		return f
	}
	ttf := fonts()[0]
	if s.bold {
		ttf = fonts()[1]
	}
	f, err := opentype.NewFace(ttf, &opentype.FaceOptions{Size: s.size, DPI: 72, Hinting: font.HintingFull})
	if err != nil {
		panic("export: built-in font: " + err.Error())
	}
	c.faces[s] = f
	return f
}

// text writes s with its base line's left end at (x, y).
func (c *canvas) text(x, y float64, s string, st style, col color.RGBA) {
	d := font.Drawer{Dst: c.img, Src: image.NewUniform(col), Face: c.face(st),
		Dot: fixed.Point26_6{X: fixed.Int26_6(math.Round(x) * 64), Y: fixed.Int26_6(math.Round(y) * 64)}}
	d.DrawString(printable(s))
}

// width returns how wide s comes out, in pixels.
func (c *canvas) width(s string, st style) float64 {
	return float64(font.MeasureString(c.face(st), printable(s))) / 64
}

// printable returns s with what no font can show as a middle dot.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r == '\ufffd' {
			return '·'
		}
		return r
	}, s)
}

// wrap breaks s into lines no wider than w, at blanks where it can.
func (c *canvas) wrap(s string, st style, w float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		for {
			next := word
			if line != "" {
				next = line + " " + word
			}
			if c.width(next, st) <= w {
				line = next
				break
			}
			if line != "" {
				lines, line = append(lines, line), ""
				continue
			}
			r := []rune(word)
			n := len(r)
			for n > 1 && c.width(string(r[:n]), st) > w {
				n--
			}
			lines = append(lines, string(r[:n]))
			if word = string(r[n:]); word == "" {
				break
			}
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}
