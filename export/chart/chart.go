// Package chart draws the plots of reports as SVG that stands in a page: a
// title for those who cannot see it, no script, no outside font.
package chart

import (
	"bytes"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"shaftgauge/measure/agreement"
)

// Size of a plot on the page.
const (
	width  = 13 * vg.Centimeter
	height = 9 * vg.Centimeter
	margin = 14 // points to the right, for half a number at the axis' end
)

// Colours that differ in lightness as well as in hue.
var (
	ink   = color.RGBA{0x1b, 0x26, 0x2c, 0xff}
	mark  = color.RGBA{0x0b, 0x5c, 0x7a, 0xff}
	limit = color.RGBA{0xa3, 0x3b, 0x12, 0xff}
	shade = color.RGBA{0xd9, 0xe6, 0xdf, 0xff}
)

// dashed marks what is not a reading: limits, the line of no difference.
var dashed = []vg.Length{vg.Points(5), vg.Points(3)}

func newPlot(title, x, y string) *plot.Plot {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Title.Padding = vg.Points(6)
	return p
}

// render draws p; what tells its content in words.
func render(p *plot.Plot, what string) (template.HTML, error) {
	c := vgsvg.New(width, height)
	p.Draw(draw.Crop(draw.New(c), 0, -margin, 0, 0))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return "", fmt.Errorf("chart: %s: %w", p.Title.Text, err)
	}
	s := b.String()
	i := strings.Index(s, "<svg")
	if i < 0 {
		return "", fmt.Errorf("chart: %s: no SVG", p.Title.Text)
	}
	s = `<svg role="img" aria-label="` + template.HTMLEscapeString(p.Title.Text+". "+what) + `"` + s[i+len("<svg"):]
	return template.HTML(strings.ReplaceAll(s, "Liberation Serif", "inherit")), nil
}

func dots(xy plotter.XYs) (*plotter.Scatter, error) {
	s, err := plotter.NewScatter(xy)
	if err != nil {
		return nil, fmt.Errorf("chart: %w", err)
	}
	s.GlyphStyle = draw.GlyphStyle{Color: mark, Radius: vg.Points(2.2), Shape: draw.CircleGlyph{}}
	return s, nil
}

func line(c color.Color, dash []vg.Length, xy ...plotter.XY) *plotter.Line {
	l := &plotter.Line{XYs: xy, LineStyle: plotter.DefaultLineStyle}
	l.Color, l.Dashes = c, dash
	return l
}

// Differences draws the differences of two methods on their means with the
// limits of agreement.
func Differences(title, unit string, x, y []float64, l agreement.Limits) (template.HTML, error) {
	p := newPlot(title, "mean of both, "+unit, "difference, "+unit)
	xy := make(plotter.XYs, len(x))
	low, high := math.Inf(1), math.Inf(-1)
	for i := range x {
		xy[i] = plotter.XY{X: (x[i] + y[i]) / 2, Y: x[i] - y[i]}
		low, high = min(low, xy[i].X), max(high, xy[i].X)
	}
	s, err := dots(xy)
	if err != nil {
		return "", err
	}
	for _, at := range []float64{l.Lower, l.Upper} {
		p.Add(line(limit, dashed, plotter.XY{X: low, Y: at}, plotter.XY{X: high, Y: at}))
	}
	p.Add(line(limit, nil, plotter.XY{X: low, Y: l.Bias}, plotter.XY{X: high, Y: l.Bias}), s)
	return render(p, fmt.Sprintf("%d films: bias %.2f, limits of agreement %.2f to %.2f %s.", l.N, l.Bias, l.Lower, l.Upper, unit))
}

// Operating draws a receiver operating characteristic.
func Operating(title string, c agreement.Curve) (template.HTML, error) {
	p := newPlot(title, "1 − specificity", "sensitivity")
	xy := plotter.XYs{{X: 0, Y: 0}}
	for _, cut := range c.Cuts {
		xy = append(xy, plotter.XY{X: cut.FalsePositive, Y: cut.TruePositive})
	}
	p.Add(line(limit, dashed, plotter.XY{}, plotter.XY{X: 1, Y: 1}), line(mark, nil, xy...))
	return render(p, fmt.Sprintf("Area %.3f, 95 %% interval %.3f to %.3f.", c.Area, c.CI.Low, c.CI.High))
}

// Load draws the findings caught against the films read, both as shares.
func Load(title string, table []agreement.Load) (template.HTML, error) {
	p := newPlot(title, "films read, %", "findings caught, %")
	last := table[len(table)-1]
	if last.Read == 0 || last.Caught == 0 {
		return "", nil
	}
	var xy plotter.XYs
	half := 0.0
	for _, l := range table {
		xy = append(xy, plotter.XY{X: 100 * float64(l.Read) / float64(last.Read), Y: 100 * float64(l.Caught) / float64(last.Caught)})
		if 2*l.Read <= last.Read {
			half = xy[len(xy)-1].Y
		}
	}
	p.Add(line(limit, dashed, plotter.XY{}, plotter.XY{X: 100, Y: 100}), line(mark, nil, xy...))
	return render(p, fmt.Sprintf("The first half of the order holds %.0f %% of the findings.", half))
}

// Range is a published range drawn behind a distribution.
type Range struct {
	Low, High float64
	Source    string
}

// Distribution draws a histogram with published ranges behind it. Values that
// are not finite are left out; without any it is empty.
func Distribution(title, unit string, values []float64, ranges []Range) (template.HTML, error) {
	v := slices.DeleteFunc(slices.Clone(values), func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) })
	if len(v) == 0 {
		return "", nil
	}
	p := newPlot(title, unit, "films")
	bins := max(5, min(30, int(math.Sqrt(float64(len(v))))*2))
	h, err := plotter.NewHist(plotter.Values(v), bins)
	if err != nil {
		return "", fmt.Errorf("chart: %s: %w", title, err)
	}
	h.FillColor, h.LineStyle.Color = mark, ink
	_, _, _, top := h.DataRange()
	what := fmt.Sprintf("%d values.", len(v))
	for _, r := range ranges {
		area, err := plotter.NewPolygon(plotter.XYs{{X: r.Low}, {X: r.High}, {X: r.High, Y: top}, {X: r.Low, Y: top}})
		if err != nil {
			return "", fmt.Errorf("chart: %s: %w", title, err)
		}
		area.Color, area.LineStyle.Width = shade, 0
		p.Add(area)
		what += fmt.Sprintf(" Published range %g to %g (%s).", r.Low, r.High, r.Source)
	}
	p.Add(h)
	return render(p, what)
}

// Sides draws left against right, with the line of no difference.
func Sides(title, unit string, right, left []float64) (template.HTML, error) {
	if len(right) == 0 || len(right) != len(left) {
		return "", nil
	}
	p := newPlot(title, "right, "+unit, "left, "+unit)
	xy := make(plotter.XYs, len(right))
	low, high := math.Inf(1), math.Inf(-1)
	for i := range right {
		xy[i] = plotter.XY{X: right[i], Y: left[i]}
		low, high = min(low, right[i], left[i]), max(high, right[i], left[i])
	}
	s, err := dots(xy)
	if err != nil {
		return "", err
	}
	p.Add(line(limit, dashed, plotter.XY{X: low, Y: low}, plotter.XY{X: high, Y: high}), s)
	return render(p, fmt.Sprintf("%d pairs of sides.", len(right)))
}
