package export

import (
	"encoding/json"
	"fmt"
	"io"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// ReadGeometry reads what [WriteGeometry] wrote.
//
// Errors: r holds something else.
func ReadGeometry(r io.Reader) (*measure.Geometry, error) {
	var keys map[string]json.RawMessage
	if err := json.NewDecoder(r).Decode(&keys); err != nil {
		return nil, fmt.Errorf("export: geometry: %w", err)
	}
	g := &measure.Geometry{Contours: make(map[string][]geom.PointPx), Landmarks: make(map[string]geom.PointPx),
		Circles: make(map[string]measure.CirclePx), Levels: make(map[string][2]geom.PointPx)}
	var (
		line      [][2]float64
		landmarks map[string][2]float64
		levels    map[string][2][2]float64
		circles   map[string]struct {
			Centre [2]float64 `json:"centre"`
			Radius float64    `json:"radius"`
		}
		focal []struct {
			Level  float64    `json:"level_mm"`
			Height float64    `json:"height_mm"`
			From   [2]float64 `json:"from"`
			To     [2]float64 `json:"to"`
			Peak   [2]float64 `json:"peak"`
		}
	)
	known := map[string]any{"source": &g.Source, "frame": &g.Frame, "side": &g.Side, "view": &g.View,
		"landmarks": &landmarks, "circles": &circles, "levels": &levels, "focal": &focal}
	for name, raw := range keys {
		to, ok := known[name]
		if !ok { // the mid-line and every contour
			line = nil
			to = &line
		}
		if err := json.Unmarshal(raw, to); err != nil {
			return nil, fmt.Errorf("export: geometry: %s: %w", name, err)
		}
		switch {
		case ok:
		case name == "midline":
			g.Midline = places(line)
		default:
			g.Contours[name] = places(line)
		}
	}
	for name, p := range landmarks {
		g.Landmarks[name] = place(p)
	}
	for name, c := range circles {
		g.Circles[name] = measure.CirclePx{C: place(c.Centre), R: c.Radius}
	}
	for name, l := range levels {
		g.Levels[name] = [2]geom.PointPx{place(l[0]), place(l[1])}
	}
	for _, f := range focal {
		g.Focal = append(g.Focal, measure.FocalPx{LevelMM: f.Level, HeightMM: f.Height, From: place(f.From), To: place(f.To), Peak: place(f.Peak)})
	}
	return g, nil
}

func place(p [2]float64) geom.PointPx { return geom.PointPx{X: p[0], Y: p[1]} }

func places(line [][2]float64) []geom.PointPx {
	out := make([]geom.PointPx, len(line))
	for i, p := range line {
		out[i] = place(p)
	}
	return out
}
