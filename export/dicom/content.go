package dicom

import (
	"slices"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure/geom"
)

// relation is how a content item belongs to its parent (PS3.3 C.17.3.2.4).
type relation string

const (
	contains     relation = "CONTAINS"
	hasContext   relation = "HAS OBS CONTEXT"
	hasAcquired  relation = "HAS ACQ CONTEXT"
	hasModifier  relation = "HAS CONCEPT MOD"
	hasProperty  relation = "HAS PROPERTIES"
	inferredFrom relation = "INFERRED FROM"
	selectedFrom relation = "SELECTED FROM"
)

// item is a content item of a structured report (PS3.3 C.17.3): its own
// attributes and what hangs on it.
type item struct {
	own      dataset
	children []item
}

func newItem(r relation, kind string, name Code) item {
	var i item
	i.own.setText(tag.RelationshipType, string(r))
	i.own.set(tag.ValueType, kind)
	if name != (Code{}) {
		i.own.set(tag.ConceptNameCodeSequence, name.sequence())
	}
	return i
}

// with returns i with further children.
func (i item) with(children ...item) item {
	i.children = slices.Concat(i.children, children)
	return i
}

func (i item) dataset() dataset {
	d := slices.Clone(i.own)
	if len(i.children) > 0 {
		items := make([]dataset, len(i.children))
		for k, c := range i.children {
			items[k] = c.dataset()
		}
		d.set(tag.ContentSequence, items)
	}
	return d
}

func container(r relation, name Code, children ...item) item {
	i := newItem(r, "CONTAINER", name)
	i.own.set(tag.ContinuityOfContent, "SEPARATE")
	return i.with(children...)
}

func text(r relation, name Code, s string) item {
	i := newItem(r, "TEXT", name)
	i.own.set(tag.TextValue, s)
	return i
}

func code(r relation, name, value Code) item {
	i := newItem(r, "CODE", name)
	i.own.set(tag.ConceptCodeSequence, value.sequence())
	return i
}

func uidReference(r relation, name Code, uid string) item {
	i := newItem(r, "UIDREF", name)
	i.own.set(tag.UID, uid)
	return i
}

func personNamed(r relation, name Code, who string) item {
	i := newItem(r, "PNAME", name)
	i.own.set(tag.PersonName, who)
	return i
}

// number is a NUM item of a decimal string and its UCUM unit.
func number(r relation, name Code, x, unit string, children ...item) item {
	i := newItem(r, "NUM", name)
	var v dataset
	v.set(tag.NumericValue, x)
	v.set(tag.MeasurementUnitsCodeSequence, units[unit].sequence())
	i.own.set(tag.MeasuredValueSequence, v)
	return i.with(children...)
}

// noNumber is a NUM item without a value, qualified by a code of CID 42.
func noNumber(r relation, name, qualifier Code, children ...item) item {
	i := newItem(r, "NUM", name)
	i.own.set(tag.MeasuredValueSequence)
	i.own.set(tag.NumericValueQualifierCodeSequence, qualifier.sequence())
	return i.with(children...)
}

// imageReference refers to frame of h's image.
func imageReference(r relation, name Code, h *Header, frame int) item {
	i := newItem(r, "IMAGE", name)
	i.own.set(tag.ReferencedSOPSequence, h.reference(frame))
	return i
}

// reference is a SOP Instance Reference of the image, with the frame where it
// has several; frame 0 is all of them.
func (h *Header) reference(frame int) dataset {
	var d dataset
	d.set(tag.ReferencedSOPClassUID, h.ClassUID)
	d.set(tag.ReferencedSOPInstanceUID, h.InstanceUID)
	if frame > 0 && h.Frames > 1 {
		d.set(tag.ReferencedFrameNumber, decimalInt(frame))
	}
	return d
}

// region is an SCOORD item: points on a frame of h's image.
func region(r relation, name Code, s shape, h *Header, frame int) item {
	i := newItem(r, "SCOORD", name)
	i.own.set(tag.GraphicData, coordinates(s.points))
	i.own.set(tag.GraphicType, s.kind)
	return i.with(imageReference(selectedFrom, Code{}, h, frame))
}

// coordinates are the numbers of points as DICOM counts them: columns and rows
// from the outer corner of the first pixel.
func coordinates(points []geom.PointPx) []float64 {
	out := make([]float64, 0, 2*len(points))
	for _, p := range points {
		out = append(out, p.X+0.5, p.Y+0.5)
	}
	return out
}
