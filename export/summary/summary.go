package summary

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"slices"

	"golang.org/x/image/draw"

	"shaftgauge/export"
	"shaftgauge/export/chart"
	"shaftgauge/measure"
)

// Run is what the page tells of.
type Run struct {
	Version string
	Films   int
	Femurs  []measure.Femur // reviewed in the sense of [measure.Review]: ranked
	Pairs   []measure.Pair  // of Femurs
	// Picture opens the overlay of a row's frame, a PNG; nil, nil where there is none.
	Picture func(*measure.Record) (io.ReadCloser, error)
}

const (
	firstFilms   = 24  // shown as thumbnails
	thumbSide    = 320 // px, the longer
	thumbQuality = 80
	mostRefused  = 20 // films named for one reason
)

//go:embed page.html
var pageHTML string

var page = template.Must(template.New("page").Parse(pageHTML))

type count struct {
	Name, Sentence string
	N              int
}

type thumb struct {
	Rank    int
	Name    string
	Reasons string
	Image   template.URL // data URI; empty: no picture
}

type refusal struct {
	count
	Films []string // at most mostRefused
	More  int
}

type group struct {
	Name, Definition string
	Published        []chart.Range
	Chart            template.HTML
}

// WriteHTML writes the page of r.
func WriteHTML(w io.Writer, r Run) error {
	data := struct {
		Run
		Status   []count
		Reasons  []count
		First    []thumb
		More     int // rows with reasons beyond First
		Values   []group
		Sides    []group
		Refusals []refusal
		Columns  []measure.Column
	}{Columns: measure.Columns, Run: r, Status: byStatus(r.Femurs), Reasons: byReason(r.Femurs), Refusals: refusals(r.Femurs)}
	var err error
	if data.First, data.More, err = first(r); err != nil {
		return err
	}
	if data.Values, err = distributions(r.Femurs); err != nil {
		return err
	}
	if data.Sides, err = sides(r); err != nil {
		return err
	}
	if err := page.Execute(w, data); err != nil {
		return fmt.Errorf("summary: page: %w", err)
	}
	return nil
}

func byStatus(f []measure.Femur) []count {
	out := []count{{Name: string(measure.StatusMeasured)}, {Name: string(measure.StatusPartial)}, {Name: string(measure.StatusNotMeasured)}}
	for i := range f {
		for k := range out {
			if string(f[i].Record.Status) == out[k].Name {
				out[k].N++
			}
		}
	}
	return out
}

func byReason(f []measure.Femur) []count {
	n := map[measure.Reason]int{}
	for i := range f {
		for _, code := range f[i].Record.Reasons {
			n[code]++
		}
	}
	var out []count
	for _, r := range measure.Reasons {
		if n[r.Code] > 0 {
			out = append(out, count{string(r.Code), r.Sentence, n[r.Code]})
		}
	}
	slices.SortStableFunc(out, func(a, b count) int { return cmp.Compare(b.N, a.N) })
	return out
}

// refusals groups the rows without a measurement by what stopped it.
func refusals(f []measure.Femur) []refusal {
	films := map[measure.Reason][]string{}
	for i := range f {
		r := &f[i].Record
		if why := r.StoppedBy(); why != "" {
			films[why] = append(films[why], name(r))
		}
	}
	var out []refusal
	for _, r := range measure.Reasons {
		if list := films[r.Code]; len(list) > 0 {
			shown := list[:min(len(list), mostRefused)]
			out = append(out, refusal{count{string(r.Code), r.Sentence, len(list)}, shown, len(list) - len(shown)})
		}
	}
	slices.SortStableFunc(out, func(a, b refusal) int { return cmp.Compare(b.N, a.N) })
	return out
}

// name tells a row from the others.
func name(r *measure.Record) string {
	s := r.Source
	if r.Frame > 1 {
		s += fmt.Sprintf(", frame %d", r.Frame)
	}
	for _, word := range []string{string(r.Side), string(r.View)} {
		if word != "" {
			s += " " + word
		}
	}
	return s
}

// first are the rows at the head of the review order that have reasons for it, and
// the number of those that are left.
func first(r Run) (out []thumb, more int, err error) {
	var rows []*measure.Record
	for i := range r.Femurs {
		row := &r.Femurs[i].Record
		if _, ok := row.Values[measure.ReviewRank]; ok && row.Texts[measure.ReviewReasons] != "" {
			rows = append(rows, row)
		}
	}
	rank := func(r *measure.Record) float64 { return r.Values[measure.ReviewRank].X }
	slices.SortFunc(rows, func(a, b *measure.Record) int { return cmp.Compare(rank(a), rank(b)) })
	for _, row := range rows[:min(len(rows), firstFilms)] {
		t := thumb{Rank: int(rank(row)), Name: name(row), Reasons: row.Texts[measure.ReviewReasons]}
		if t.Image, err = thumbnail(r.Picture, row); err != nil {
			return nil, 0, err
		}
		out = append(out, t)
	}
	return out, len(rows) - len(out), nil
}

// thumbnail returns the film on the overlay of a row as a small JPEG in a data URI.
func thumbnail(open func(*measure.Record) (io.ReadCloser, error), row *measure.Record) (template.URL, error) {
	if open == nil {
		return "", nil
	}
	f, err := open(row)
	if f == nil || err != nil {
		return "", err
	}
	defer f.Close()
	full, err := png.Decode(f)
	if err != nil {
		return "", fmt.Errorf("summary: picture of %s: %w", row.Source, err)
	}
	film := export.FilmOf(full.Bounds())
	size := film.Size()
	k := min(1, thumbSide/float64(max(size.X, size.Y)))
	small := image.NewRGBA(image.Rect(0, 0, max(1, int(k*float64(size.X))), max(1, int(k*float64(size.Y)))))
	draw.CatmullRom.Scale(small, small.Bounds(), full, film, draw.Src, nil)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, small, &jpeg.Options{Quality: thumbQuality}); err != nil {
		return "", fmt.Errorf("summary: picture of %s: %w", row.Source, err)
	}
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(b.Bytes())), nil
}

// planes are the planes of bow that a distribution is split by; most columns
// have no plane.
func planes(q measure.Quantity) []string {
	switch q {
	case measure.BowCurvature, measure.BowRadius, measure.BowAngle, measure.BowSagitta, measure.BowApex:
		return []string{"coronal", "sagittal"}
	}
	return []string{""}
}

func distributions(f []measure.Femur) ([]group, error) {
	var out []group
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		if !col.Uncertain || measure.OfTheFilm(q) {
			continue
		}
		for _, plane := range planes(q) {
			var values []float64
			for i := range f {
				r := &f[i].Record
				if v, ok := r.Values[q]; ok && (plane == "" || r.BowPlane == plane) {
					values = append(values, v.X)
				}
			}
			title := col.Name
			if plane != "" {
				title += ", " + plane
			}
			c, err := chart.Distribution(title, col.Unit, values, published(q, plane))
			if err != nil {
				return nil, err
			}
			if c != "" {
				out = append(out, group{title, col.Definition, published(q, plane), c})
			}
		}
	}
	return out, nil
}

// setAgainst are the columns of the side-to-side plots.
var setAgainst = []measure.Quantity{measure.NeckShaftAngle, measure.HeadDiameter, measure.FemoralOffset, measure.BowCurvature,
	measure.CortexAt(measure.AP, true, 50), measure.CortexAt(measure.AP, true, 100), measure.CorticalIndexAt(100), measure.IsthmusCanalWidth,
	measure.CanalFlareIndex, measure.AnatomicLateralDistal}

func sides(r Run) ([]group, error) {
	var out []group
	for _, q := range setAgainst {
		var right, left []float64
		for _, p := range r.Pairs {
			a, okA := r.Femurs[p.A].Record.Values[q]
			b, okB := r.Femurs[p.B].Record.Values[q]
			if p.Kind == measure.Sides && okA && okB {
				right, left = append(right, a.X), append(left, b.X)
			}
		}
		c, err := chart.Sides(string(q), measure.ColumnOf(q).Unit, right, left)
		if err != nil {
			return nil, err
		}
		if c != "" {
			out = append(out, group{Name: string(q), Chart: c})
		}
	}
	return out, nil
}
