package export

import (
	"image"
	"image/color"
	"strings"

	"shaftgauge/measure"
)

// panel is the column of text beside the film, laid out before it is drawn so
// that its height is known.
type panel struct {
	ops    []func(c *canvas, x, y float64)
	at     []float64 // top of each op
	height int
	c      *canvas // measures text
}

const (
	panelPad  = 20
	panelText = panelWidth - 2*panelPad
)

var (
	heading = style{bold: true, size: 20}
	strong  = style{bold: true, size: 15}
	body    = style{size: 15}
	note    = style{size: 14}
)

func (p *panel) add(height int, op func(c *canvas, x, y float64)) {
	p.ops, p.at = append(p.ops, op), append(p.at, float64(p.height))
	p.height += height
}

func (p *panel) gap(h int) { p.height += h }

func (p *panel) line(s string, st style, col color.RGBA) {
	p.add(int(st.size*1.45), func(c *canvas, x, y float64) { c.text(x, y+st.size*1.1, s, st, col) })
}

func (p *panel) paragraph(s string, st style, col color.RGBA) {
	for _, l := range p.c.wrap(s, st, panelText) {
		p.line(l, st, col)
	}
}

func (p *panel) rule() {
	p.add(13, func(c *canvas, x, y float64) {
		c.fill(image.Rect(int(x), int(y)+6, int(x)+panelText, int(y)+7), rule)
	})
}

func (p *panel) draw(c *canvas, left int) {
	for i, op := range p.ops {
		op(c, float64(left+panelPad), p.at[i])
	}
}

// layoutPanel lays out the text for the femurs of one frame.
func layoutPanel(femurs []measure.Femur) *panel {
	p := &panel{c: newCanvas(1, 1), height: 14}
	first := &femurs[0].Record
	p.paragraph(elide(first.Source, 160), heading, ink)
	p.paragraph("frame "+decimal(float64(first.Frame), 0)+scaleText(first), note, faint)
	for i := range femurs {
		p.rule()
		p.femur(&femurs[i].Record, badge(femurs, i))
	}
	p.legend(femurs)
	p.gap(14)
	return p
}

func (p *panel) femur(r *measure.Record, mark string) {
	title, status := sideText(r.Side)+", "+viewText(r.View), statusText(r.Status)
	if r.Status == measure.StatusNotMeasured && r.Side == "" && r.View == "" {
		mark, title, status = "", "Not measured", ""
	}
	p.add(34, func(c *canvas, x, y float64) {
		if mark != "" {
			c.text(x, y+24, mark, heading, yellow)
			x += c.width(mark, heading) + 12
		}
		c.text(x, y+24, title, heading, ink)
		c.text(x+c.width(title, heading)+14, y+24, status, body, faint)
	})
	p.single(r)
	p.table(r)
	p.gap(6)
	for _, f := range findings(r) {
		p.row(f[0], f[1])
	}
	if len(r.Reasons) > 0 {
		p.gap(6)
	}
	for _, code := range r.Reasons {
		p.bullet(sentence(code))
	}
	p.gap(4)
}

func (p *panel) bullet(s string) {
	for i, l := range p.c.wrap(s, note, panelText-16) {
		dot := i == 0
		p.add(20, func(c *canvas, x, y float64) {
			if dot {
				c.stroke([]pt{{x + 4, y + 10}}, 5, faint)
			}
			c.text(x+16, y+15, l, note, ink)
		})
	}
}

// row writes a name and what it comes to.
func (p *panel) row(name, value string) {
	p.add(22, func(c *canvas, x, y float64) {
		c.text(x, y+16, name, body, faint)
		c.text(x+220, y+16, value, strong, ink)
	})
}

// single writes the numbers that have no level.
func (p *panel) single(r *measure.Record) {
	for _, q := range []struct {
		name   measure.Quantity
		text   string
		digits int
		unit   string
	}{
		{measure.VisibleFrom, "diaphysis seen from", 0, " mm"},
		{measure.VisibleTo, "diaphysis seen to", 0, " mm"},
		{measure.ShaftAxis, "shaft axis to vertical", 1, "°"},
		{measure.BowCurvature, "bow curvature", 2, " per m"},
		{measure.BowRadius, "bow radius", 0, " mm"},
		{measure.BowAngle, "bow angle, quarter lines", 1, "°"},
		{measure.BowAngle50, "bow angle, 50 mm lines", 1, "°"},
		{measure.BowSagitta, "bow sagitta", 1, " mm"},
		{measure.IsthmusLevel, "isthmus level", 0, " mm"},
		{measure.NeckShaftAngle, "neck–shaft angle", 1, "°"},
		{measure.HeadDiameter, "head diameter", 1, " mm"},
		{measure.FemoralOffset, "femoral offset", 1, " mm"},
		{measure.CanalFlareIndex, "canal flare index", 1, ""},
		{measure.AnatomicLateralDistal, "aLDFA", 1, "°"},
		{measure.MechanicalLateralDistal, "mLDFA", 1, "°"},
		{measure.AnatomicMechanicalAngle, "anatomic to mechanical axis", 1, "°"},
	} {
		v, ok := r.Values[q.name]
		if !ok || !finite(v.X) {
			continue
		}
		label := q.text
		if q.name == measure.BowCurvature && r.BowPlane != "" {
			label += ", " + r.BowPlane
		}
		p.row(label, plusMinus(v, q.digits)+q.unit)
	}
}

// findings are what was found on the lateral cortex, and metal: names and what
// they come to.
func findings(r *measure.Record) (out [][2]string) {
	add := func(name, value string) { out = append(out, [2]string{name, value}) }
	if n, ok := r.Values[measure.FocalCount]; ok {
		high, scaled := r.Values[measure.FocalHeight]
		size := plusMinus(high, 1) + " mm high, " + plusMinus(r.Values[measure.FocalLength], 0) + " mm long"
		switch {
		case n.X == 0:
			add("focal thickenings", "none found")
		case !scaled:
			add("focal thickenings", decimal(n.X, 0)+" found, no scale")
		case n.X == 1:
			add("focal thickening", size)
		default:
			add(decimal(n.X, 0)+" focal thickenings, one", size)
		}
	}
	switch r.Texts["lucent_line"] {
	case "seen":
		value := "seen"
		if depth, ok := r.Values[measure.LucentLineDepthFraction]; ok {
			percent := measure.Value{X: 100 * depth.X, U95: 100 * depth.U95}
			value = "crosses " + plusMinus(percent, 0) + " %, tilt " + plusMinus(r.Values[measure.LucentLineAngle], 0) + "°"
		}
		add("dark line", value)
	case "not_seen":
		value := "not seen"
		if floor, ok := r.Values[measure.LucentLineFloor]; ok {
			value += "; one of " + decimal(floor.X, 2) + " mm would show"
		}
		add("dark line", value)
	case "not_assessable":
		add("dark line", "not assessable")
	}
	if metal := r.Texts["implant"]; metal != "" && metal != "none" {
		add("metal", metal)
	}
	return out
}

// tableLevels are the columns of the table of widths.
var tableLevels = []string{"30", "50", "100", "150", "isthmus"}

// table writes cortices and widths, a row a quantity, a column a level.
func (p *panel) table(r *measure.Record) {
	rows := []struct {
		text, before, after string
		digits              int
	}{
		{"lateral cortex", "lateral_cortex_", "_mm", 1},
		{"medial cortex", "medial_cortex_", "_mm", 1},
		{"anterior cortex", "anterior_cortex_", "_mm", 1},
		{"posterior cortex", "posterior_cortex_", "_mm", 1},
		{"outer width", "outer_width_", "_mm", 1},
		{"canal width", "canal_width_", "_mm", 1},
		{"cortical index", "cortical_index_", "", 2},
	}
	name := func(before, level, after string) measure.Quantity {
		if level != "isthmus" {
			return measure.Quantity(before + level + after)
		}
		return measure.Quantity("isthmus_" + strings.TrimSuffix(before, "_") + after)
	}
	const first, step = 110, 83
	headed := false
	for _, row := range rows {
		cells := make([]string, len(tableLevels))
		any := false
		for i, level := range tableLevels {
			if v, ok := r.Values[name(row.before, level, row.after)]; ok && finite(v.X) {
				cells[i], any = plusMinus(v, row.digits), true
			}
		}
		if !any {
			continue
		}
		if !headed {
			headed = true
			p.gap(6)
			p.add(22, func(c *canvas, x, y float64) {
				c.text(x, y+16, "at level, mm", note, faint)
				for i, level := range tableLevels {
					c.text(x+first+step*float64(i), y+16, level, note, faint)
				}
			})
		}
		label := row.text
		p.add(22, func(c *canvas, x, y float64) {
			c.text(x, y+16, label, note, faint)
			for i, s := range cells {
				c.text(x+first+step*float64(i), y+16, s, note, ink)
			}
		})
	}
}

// legend says what each line on the film is; a thing that is on no femur is
// left out.
func (p *panel) legend(femurs []measure.Femur) {
	has := func(in func(g *measure.Geometry) bool) bool {
		for i := range femurs {
			if g := femurs[i].Geometry; g != nil && in(g) {
				return true
			}
		}
		return false
	}
	contour := func(prefix string) func(g *measure.Geometry) bool {
		return func(g *measure.Geometry) bool {
			for name := range g.Contours {
				if strings.HasPrefix(name, prefix) {
					return true
				}
			}
			return false
		}
	}
	headed := false
	for _, e := range []struct {
		text string
		show bool
		draw func(c *canvas, l []pt)
	}{
		{"outer edge of the cortex", has(contour("outer_")), func(c *canvas, l []pt) { c.haloed(l, 1.6, skyBlue) }},
		{"inner edge of the cortex", has(contour("inner_")), func(c *canvas, l []pt) { c.haloed(l, 1.6, orange) }},
		{"mid-diaphyseal line", has(func(g *measure.Geometry) bool { return len(g.Midline) > 0 }),
			func(c *canvas, l []pt) { c.haloed(l, 1.2, yellow) }},
		{"circle fitted to it", has(func(g *measure.Geometry) bool { _, ok := g.Circles["bow"]; return ok }),
			func(c *canvas, l []pt) { c.dotted(l, reddishPurple) }},
		{"cortical thickness measured here; numbers in mm", has(func(g *measure.Geometry) bool { return len(g.Levels) > 0 }),
			func(c *canvas, l []pt) { c.haloed(l, 3, bluishGreen) }},
		{"landmark", has(func(g *measure.Geometry) bool { return len(g.Landmarks) > 0 }),
			func(c *canvas, l []pt) { c.ring(lerp(l[0], l[1], 0.5), 6, 2, vermillion) }},
		{"focal thickening of the lateral cortex; its height and level", has(func(g *measure.Geometry) bool { return len(g.Focal) > 0 }),
			func(c *canvas, l []pt) { c.bracket(l[0], l[1], lerp(l[0], l[1], 0.5), pt{0, -1}) }},
	} {
		if !e.show {
			continue
		}
		if !headed {
			headed = true
			p.rule()
		}
		p.add(22, func(c *canvas, x, y float64) {
			e.draw(c, []pt{{x, y + 11}, {x + 44, y + 11}})
			c.text(x+58, y+16, e.text, note, faint)
		})
	}
}

func plusMinus(v measure.Value, digits int) string {
	s := decimal(v.X, digits)
	if u := decimalUp(v.U95, digits); u != "" {
		s += " ± " + u
	}
	return s
}

// sentence returns what a reason code says.
func sentence(code measure.Reason) string {
	for _, r := range measure.Reasons {
		if r.Code == code {
			return r.Sentence
		}
	}
	return strings.ReplaceAll(string(code), "_", " ")
}

func sideText(s measure.Side) string {
	switch s {
	case measure.Right:
		return "Right femur"
	case measure.Left:
		return "Left femur"
	}
	return "Femur, side not known"
}

func viewText(v measure.View) string {
	switch v {
	case measure.AP:
		return "AP view"
	case measure.Lateral:
		return "lateral view"
	}
	return "view not known"
}

func statusText(s measure.Status) string {
	switch s {
	case measure.StatusMeasured:
		return "measured"
	case measure.StatusPartial:
		return "measured in part"
	}
	return "not measured"
}

// scaleText says where the millimetres come from; nothing for a film that was
// not read so far.
func scaleText(r *measure.Record) string {
	from, ok := map[string]string{
		"calibrated":           "calibrated",
		"magnification_factor": "corrected by the magnification factor",
		"distances":            "corrected by the distances",
		"marker":               "from the scale marker",
		"detector":             "detector plane, not corrected",
	}[r.ScaleBasis]
	switch {
	case ok:
		return " · pixel " + decimal(r.PixelMM, 4) + " mm, " + from
	case r.ScaleBasis == "none":
		return " · no scale: angles and ratios only"
	}
	return ""
}

// elide keeps the last n characters of s.
func elide(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return "…" + string(r[len(r)-n:])
	}
	return s
}
