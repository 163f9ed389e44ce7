package export

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// WriteGeometry writes one femur's geometry as a flat JSON object: source,
// frame, side, view, midline, one polyline a contour (outer_lateral …),
// landmarks, circles, levels and focal thickenings, in pixels of the stored image with two
// decimals. What was not found is absent, and so is a point that is not finite.
func WriteGeometry(w io.Writer, g *measure.Geometry) error {
	var o object
	o.set("source", g.Source)
	o.set("frame", g.Frame)
	if g.Side != "" {
		o.set("side", g.Side)
	}
	if g.View != "" {
		o.set("view", g.View)
	}
	if p := polyline(g.Midline); p != nil {
		o.set("midline", p)
	}
	for _, name := range slices.Sorted(maps.Keys(g.Contours)) {
		if p := polyline(g.Contours[name]); p != nil {
			o.set(name, p)
		}
	}
	var landmarks, circles, levels object
	for _, name := range slices.Sorted(maps.Keys(g.Landmarks)) {
		if p := g.Landmarks[name]; finitePoint(p) {
			landmarks.set(name, point(p))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(g.Circles)) {
		if c := g.Circles[name]; finitePoint(c.C) && finite(c.R) {
			circles.set(name, struct {
				Centre point   `json:"centre"`
				Radius twoDecs `json:"radius"`
			}{point(c.C), twoDecs(c.R)})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(g.Levels)) {
		if l := g.Levels[name]; finitePoint(l[0]) && finitePoint(l[1]) {
			levels.set(name, polyline(l[:]))
		}
	}
	o.setObject("landmarks", &landmarks)
	o.setObject("circles", &circles)
	o.setObject("levels", &levels)
	if f := focalMarks(g.Focal); f != nil {
		o.set("focal", f)
	}
	b, err := o.bytes()
	if err != nil {
		return fmt.Errorf("export: geometry of %q: %w", g.Source, err)
	}
	if _, err := w.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("export: geometry of %q: %w", g.Source, err)
	}
	return nil
}

// object builds a JSON object whose keys keep the order they were set in, one
// key a line.
type object struct {
	b   bytes.Buffer
	err error
}

func (o *object) set(key string, v any) {
	if o.b.Len() > 0 {
		o.b.WriteString(",\n")
	}
	k, _ := json.Marshal(key) // a string always marshals
	val, err := json.Marshal(v)
	if err != nil && o.err == nil {
		o.err = err
	}
	o.b.Write(k)
	o.b.WriteString(": ")
	o.b.Write(val)
}

// setObject sets key to child unless child is empty.
func (o *object) setObject(key string, child *object) {
	if child.b.Len() == 0 {
		return
	}
	b, err := child.bytes()
	if err != nil && o.err == nil {
		o.err = err
	}
	o.set(key, json.RawMessage(b))
}

func (o *object) bytes() ([]byte, error) {
	return []byte("{\n" + o.b.String() + "\n}"), o.err
}

// twoDecs is a number written with two decimals, never as -0.
type twoDecs float64

func (x twoDecs) MarshalJSON() ([]byte, error) { return []byte(decimal(float64(x), 2)), nil }

// point is written as [x,y].
type point geom.PointPx

func (p point) MarshalJSON() ([]byte, error) {
	return fmt.Appendf(nil, "[%s,%s]", decimal(p.X, 2), decimal(p.Y, 2)), nil
}

// polyline returns the finite points of p, nil if there is none.
func polyline(p []geom.PointPx) []point {
	var out []point
	for _, q := range p {
		if finitePoint(q) {
			out = append(out, point(q))
		}
	}
	return out
}

func finitePoint(p geom.PointPx) bool { return finite(p.X) && finite(p.Y) }
