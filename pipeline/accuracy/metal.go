package accuracy

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// Told is how many femurs with one kind of metal were said to have another.
type Told struct {
	Truth string `json:"truth"`
	Told  string `json:"told"`
	N     int    `json:"n"`
}

// Metal is how well implants were named and kept out of the numbers.
type Metal struct {
	Flagged  Rate   `json:"flagged"`      // femurs with an implant on the film
	Right    Rate   `json:"kind_right"`   // of those
	Alarms   Rate   `json:"false_alarms"` // femurs without any metal that have a row
	Touching Rate   `json:"touching"`     // numbers of cortex, canal, width and index at a level where metal touches an edge they need, of all such numbers on films with metal
	Kinds    []Told `json:"kinds"`
}

// Words for metal and for answers that the contract's column does not have.
const (
	metalNone  = "none"
	metalLoose = "loose"    // a clip or a ball on the film, or a lead letter over the bone; no implant
	metalOff   = "off film" // an implant that the film does not show
	toldEmpty  = "(empty)"
	toldNoRow  = "(no row)"
)

// metalKind names what metal there is on a femur.
func metalKind(t *simulate.FemurTruth) string {
	switch {
	case t.Implant == "" || t.Implant == metalNone:
		if t.Metal != nil && (t.Metal.Loose || len(t.Metal.Near) > 0) {
			return metalLoose
		}
		return metalNone
	case t.Metal != nil && !t.Metal.Shown:
		return metalOff
	}
	return t.Implant
}

// tellsImplant says which implant a row names and whether it flags one.
func tellsImplant(r *measure.Record) (kind string, flagged bool) {
	kind = cmp.Or(r.Texts["implant"], toldEmpty)
	return kind, kind != toldEmpty && kind != metalNone || slices.Contains(r.Reasons, measure.ImplantPresent)
}

// implant returns what the film's rows say of the metal on a femur: its own row,
// else the row of no femur that says most.
func (f *Film) implant(p pair, used map[int]bool) (kind string, flagged bool) {
	if p.row >= 0 {
		return tellsImplant(&f.Rows[p.row].Record)
	}
	kind = toldNoRow
	for i := range f.Rows {
		if used[i] {
			continue
		}
		if k, y := tellsImplant(&f.Rows[i].Record); kind == toldNoRow || y && !flagged {
			kind, flagged = k, y
		}
	}
	return kind, flagged
}

// addMetal counts what is said of the metal on one femur and what is measured
// beside it.
func (c *collection) addMetal(f *Film, p pair, used map[int]bool) {
	t := &f.Truth.Femurs[p.truth]
	truth := metalKind(t)
	told, flagged := f.implant(p, used)
	c.told[[2]string{truth, told}]++
	switch truth {
	case metalNone:
		if told != toldNoRow {
			c.metal.Alarms.count(flagged)
		}
	case metalLoose, metalOff:
	default:
		c.metal.Flagged.count(flagged)
		c.metal.Right.count(told == truth)
	}
	touching, all := f.touching(p)
	c.metal.Touching.Part += len(touching)
	c.metal.Touching.Whole += all
}

// metalReport returns nil when no femur has metal and no row names any.
func (c *collection) metalReport() *Metal {
	m := c.metal
	some := false
	for k, n := range c.told {
		some = some || k[0] != metalNone || k[1] != metalNone && k[1] != toldEmpty && k[1] != toldNoRow
		m.Kinds = append(m.Kinds, Told{k[0], k[1], n})
	}
	if !some {
		return nil
	}
	slices.SortFunc(m.Kinds, func(a, b Told) int {
		return cmp.Or(strings.Compare(a.Truth, b.Truth), strings.Compare(a.Told, b.Told))
	})
	return &m
}

// touching lists the numbers of a row that rest on an edge with metal within
// 3 mm of it at their level, and counts all numbers at levels.
func (f *Film) touching(p pair) (touching []string, all int) {
	t := &f.Truth.Femurs[p.truth]
	if p.row < 0 || t.Metal == nil || len(t.Metal.Near) == 0 || f.Truth.ScaleBasis == "none" {
		return nil, 0
	}
	row := &f.Rows[p.row]
	r := newRuler(t, f.Truth.Spacing)
	by, ok := shift(row, t, f.Truth.Spacing)
	if r == nil || !ok {
		return nil, 0
	}
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		needs, label := edgesOf(q, t.View)
		v, measured := row.Record.Values[q]
		if !measured || needs == nil || !finite(v.X) {
			continue
		}
		all++
		level, known := 0.0, false
		if row.Geometry != nil {
			if l, ok := row.Geometry.Levels[label]; ok {
				level, known = r.at(geom.PointPx{X: (l[0].X + l[1].X) / 2, Y: (l[0].Y + l[1].Y) / 2}), true
			}
		}
		if !known {
			if at, err := strconv.Atoi(label); err == nil {
				level = float64(at) + by
			} else {
				level = row.Record.Values[measure.IsthmusLevel].X + by
			}
		}
		if near(t.Metal, needs, level) {
			touching = append(touching, col.Name)
		}
	}
	for _, x := range row.Focal {
		all++
		if near(t.Metal, []string{"outer_lateral", "inner_lateral"}, x.Level.X+by) {
			touching = append(touching, fmt.Sprintf("thickening at %.0f mm", x.Level.X))
		}
	}
	return touching, all
}

// near says whether metal touches one of the contours at a level.
func near(m *simulate.MetalTruth, contours []string, level float64) bool {
	for _, name := range contours {
		for _, span := range m.Near[name] {
			if level >= span[0] && level <= span[1] {
				return true
			}
		}
	}
	return false
}

// edgesOf returns the contours that a number at a level rests on and the label of
// the level, nil for any other number.
func edgesOf(q measure.Quantity, v measure.View) (contours []string, label string) {
	names, _ := measure.SideNames(v)
	outer, inner := []string{"outer_" + names[0], "outer_" + names[1]}, []string{"inner_" + names[0], "inner_" + names[1]}
	for _, level := range measure.Levels {
		label = strconv.Itoa(level)
		switch q {
		case measure.CortexAt(v, true, level):
			return []string{outer[0], inner[0]}, label
		case measure.CortexAt(v, false, level):
			return []string{outer[1], inner[1]}, label
		case measure.OuterWidthAt(level):
			return outer, label
		case measure.CanalWidthAt(level):
			return inner, label
		case measure.CorticalIndexAt(level):
			return append(outer, inner...), label
		}
	}
	switch q {
	case measure.IsthmusCanalWidth:
		return inner, "isthmus"
	case measure.IsthmusOuterWidth:
		return outer, "isthmus"
	case measure.IsthmusCorticalIndex:
		return append(outer, inner...), "isthmus"
	}
	return nil, ""
}
