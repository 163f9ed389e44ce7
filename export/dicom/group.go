package dicom

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"shaftgauge/export"
	"shaftgauge/measure"
)

// groups are the measurement groups of the femur of an index: the femur's own,
// then one for each focal thickening and each nail. n counts the femurs on its
// frame.
func (f *Film) groups(index, n int, p Program) []item {
	fe, review := &f.Femurs[index], f.Review[index]
	r := &fe.Record
	g := fe.Geometry
	if g == nil {
		g = new(measure.Geometry)
	}
	in := inFilm{header: &f.Header, frame: r.Frame, size: frameSize{f.Header.Rows, f.Header.Cols}, geometry: g}
	name := strings.Join(strings.Fields(fmt.Sprintf("Femur %d of frame %d %s %s", n, r.Frame, r.Side, r.View)), " ")
	group := func(what string, items ...item) item {
		id := name
		if what != "" {
			id += ", " + what
		}
		head := []item{
			text(hasContext, trackingIdentifier, id),
			uidReference(hasContext, trackingUID, newUID("tracking", f.Header.InstanceUID, strconv.Itoa(r.Frame), strconv.Itoa(n), what)),
		}
		site := code(hasModifier, findingSite, femur)
		switch r.Side {
		case measure.Right:
			site = site.with(code(hasModifier, laterality, right))
		case measure.Left:
			site = site.with(code(hasModifier, laterality, left))
		}
		algorithm := []item{
			site,
			text(hasModifier, algorithmName, "shaftgauge"),
			text(hasModifier, algorithmVersion, p.Version+", algorithm "+p.Algorithm),
		}
		return container(contains, measurementGroup, slices.Concat(head, algorithm, items)...)
	}

	var items []item
	for _, col := range measure.Columns {
		q := measure.Quantity(col.Name)
		c, ok := concepts[q]
		if !ok {
			continue
		}
		if i, ok := in.quantity(col, c, r, review); ok {
			items = append(items, i)
		}
	}
	out := []item{group("", append(items, remarks(r, review)...)...)}
	if review != nil && review.Rejected != "" {
		return out
	}
	for k := range fe.Focal {
		out = append(out, group(fmt.Sprintf("focal thickening %d of %d", k+1, len(fe.Focal)), in.focal(fe, k)...))
	}
	for _, nail := range fe.Nails {
		out = append(out, group("nail "+nail.Name, in.nail(nail)...))
	}
	return out
}

// inFilm is the film and the geometry that a group's measurements come from.
type inFilm struct {
	header   *Header
	frame    int
	size     frameSize
	geometry *measure.Geometry
}

// quantity is the item of a column of the row. What a person changed says so and
// holds what was measured; of a rejected row nothing has a value. ok is false
// where nothing was to be measured: by the view, or for want of a thickening.
func (in inFilm) quantity(col measure.Column, c concept, r *measure.Record, review *Review) (_ item, ok bool) {
	q := measure.Quantity(col.Name)
	v, have := r.Values[q]
	if !have && !measure.Gives(r.View, q) {
		return item{}, false
	}
	if review != nil && review.Rejected != "" {
		return in.refused(col, c, measurementFailure, "rejected by the reviewer: "+review.Rejected), true
	}
	var changed []item
	if review != nil && review.Before != nil {
		was, had := review.Before.Values[q]
		if had != have || was != v {
			changed = append(changed, code(hasProperty, selectionStatus, userChosen))
		}
		if x, _ := export.Number(was, col.Digits); had && was != v {
			changed = append(changed, number(inferredFrom, measured, x, col.Unit))
		}
	}
	switch {
	case have:
		return in.value(col, c, v).with(changed...), true
	case len(changed) == 0 && r.NoneThere(q):
		return item{}, false
	}
	reasons := r.WhyEmpty(q)
	if len(reasons) == 0 {
		return in.refused(col, c, notAttempted, "").with(changed...), true
	}
	qualifier := measurementFailure
	if slices.Contains(reasons, measure.BowNotResolved) || slices.Contains(reasons, measure.IsthmusNotResolved) {
		qualifier = indeterminate
	}
	var words []string
	for _, reason := range reasons {
		words = append(words, string(reason)+": "+sentence(reason))
	}
	return in.refused(col, c, qualifier, strings.Join(words, "\n")).with(changed...), true
}

// value is a measured number by TID 300.
func (in inFilm) value(col measure.Column, c concept, v measure.Value) item {
	x, u95 := export.Number(v, col.Digits)
	i := number(contains, c.name, x, col.Unit, c.modifiers(col)...)
	if v.U95 > 0 {
		i = i.with(number(hasProperty, uncertainty, u95, col.Unit))
	}
	marks := c.marks(in.geometry, in.size)
	for _, m := range marks {
		i = i.with(region(inferredFrom, m.purpose, m.shape, in.header, in.frame))
	}
	if len(marks) == 0 {
		i = i.with(imageReference(inferredFrom, sourceOfMeasurement, in.header, in.frame))
	}
	return i
}

// refused is a number that is not there, and why.
func (in inFilm) refused(col measure.Column, c concept, qualifier Code, why string) item {
	i := noNumber(contains, c.name, qualifier, c.modifiers(col)...)
	if why != "" {
		i = i.with(text(hasProperty, whyEmpty, why))
	}
	return i
}

// modifiers say what was measured, how and where.
func (c concept) modifiers(col measure.Column) []item {
	items := []item{code(hasModifier, measurementMethod, c.method)}
	if d, ok := derivations[measure.Quantity(col.Name)]; ok {
		items = append(items, code(hasModifier, derivation, d))
	}
	return append(items,
		code(hasModifier, findingSite, c.site),
		text(hasModifier, equivalentMeaning, col.Name+": "+col.Definition))
}

// remarks are what the row says in words, and what every page says.
func remarks(r *measure.Record, review *Review) []item {
	items := []item{text(contains, comment, "Measurements for human review; not a diagnosis. Uncertainties are expanded ones, coverage about 95 %.")}
	add := func(name Code, s string) {
		if s != "" {
			items = append(items, text(contains, name, s))
		}
	}
	add(rowStatus, string(r.Status))
	for _, col := range measure.Columns {
		if name, ok := words[col.Name]; ok {
			add(name, word(r, col.Name))
		}
	}
	for _, reason := range r.Reasons {
		add(reasonCode, string(reason)+": "+sentence(reason))
	}
	if review != nil {
		add(comment, review.Note)
	}
	return items
}

func sentence(code measure.Reason) string {
	for _, r := range measure.Reasons {
		if r.Code == code {
			return r.Sentence
		}
	}
	return ""
}
