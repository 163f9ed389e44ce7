package dicom

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom"
	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/export"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
)

// softcopyPresentation is the SOP Class of presentation states (PS3.4 B.5).
const softcopyPresentation = "1.2.840.10008.5.1.4.1.1.11.1"

// fine is how many points of a line a presentation state holds at most: an
// element of FL has at most 65534 bytes, eight a point.
const fine = 4000

// layers are the graphic layers, in their order from below (PS3.3 C.10.7).
var layers = []struct{ name, about string }{
	{"EDGES", "Outer and inner edges of the cortices"},
	{"MIDLINE", "Mid-diaphyseal line"},
	{"CIRCLES", "Circles fitted to the bow and to the head"},
	{"LEVELS", "Levels that widths and cortices were measured at"},
	{"LANDMARKS", "Landmarks of hip and knee"},
	{"FOCAL", "Focal thickenings of the lateral cortex"},
	{"WORDS", "What the drawing is for"},
}

// WritePresentation writes a Grayscale Softcopy Presentation State that draws
// the geometry of f's femurs over the film as the film is to be shown, but for
// rows that a person rejected, and returns its instance UID.
//
// Errors: [ErrHeader]; no femur with geometry ([ErrNothingDrawn]); w fails.
func WritePresentation(w io.Writer, f Film, p Program) (instance string, err error) {
	if err := f.check(); err != nil {
		return "", err
	}
	var annotations []dataset
	for i := range f.Femurs {
		if r := f.Review[i]; r != nil && r.Rejected != "" {
			continue
		}
		if g := f.Femurs[i].Geometry; g != nil {
			annotations = append(annotations, f.drawing(&f.Femurs[i].Record, g)...)
		}
	}
	if len(annotations) == 0 {
		return "", ErrNothingDrawn
	}
	h := &f.Header
	d := f.common("PR", p)
	d.set(tag.SeriesNumber, "9002")
	d.set(tag.Laterality, f.laterality())
	d.set(tag.InstanceNumber, "1")
	d.set(tag.ContentLabel, "FEMUR")
	d.set(tag.ContentDescription, "Geometry of femur measurements, for review")
	d.set(tag.ContentCreatorName, "")
	d.set(tag.ReferencedSeriesSequence, h.seriesReference())
	d.set(tag.GraphicAnnotationSequence, append(annotations, f.words()))
	var layer []dataset
	for i, l := range layers {
		var item dataset
		item.set(tag.GraphicLayer, l.name)
		item.set(tag.GraphicLayerOrder, decimalInt(i+1))
		item.set(tag.GraphicLayerDescription, l.about)
		layer = append(layer, item)
	}
	d.set(tag.GraphicLayerSequence, layer)
	d.set(tag.DisplayedAreaSelectionSequence, h.displayedArea())
	h.greyValues(&d)
	var dated dataset
	dated.set(tag.PresentationCreationDate, p.Written.Format("20060102"))
	dated.set(tag.PresentationCreationTime, p.Written.Format("150405"))
	return d.write(w, softcopyPresentation, dated)
}

// ErrNothingDrawn says that no femur of a film has geometry.
var ErrNothingDrawn = fmt.Errorf("dicom: no geometry to draw")

// seriesReference refers to the film as PS3.3 C.11.11 wants it.
func (h *Header) seriesReference() (d dataset) {
	d.set(tag.SeriesInstanceUID, h.SeriesUID)
	d.set(tag.ReferencedImageSequence, h.reference(0))
	return d
}

// displayedArea is the whole image (PS3.3 C.10.4).
func (h *Header) displayedArea() (d dataset) {
	d.set(tag.DisplayedAreaTopLeftHandCorner, []int{1, 1})
	d.set(tag.DisplayedAreaBottomRightHandCorner, []int{h.Cols, h.Rows})
	d.set(tag.PresentationSizeMode, "SCALE TO FIT")
	switch {
	case h.Spacing[0] > 0 && h.Spacing[1] > 0:
		d.set(tag.PresentationPixelSpacing, []string{decimal(h.Spacing[0]), decimal(h.Spacing[1])})
	case h.AspectRatio[0] > 0 && h.AspectRatio[1] > 0:
		d.set(tag.PresentationPixelAspectRatio, []string{decimalInt(h.AspectRatio[0]), decimalInt(h.AspectRatio[1])})
	default:
		d.set(tag.PresentationPixelAspectRatio, []string{"1", "1"})
	}
	return d
}

// greyValues shows the film as its own header does: a presentation state
// replaces all of it (PS3.3 C.11.1, C.11.8, C.11.6; PS3.4 N.2).
func (h *Header) greyValues(d *dataset) {
	switch {
	case h.ModalityLUT != nil:
		item := h.ModalityLUT.dataset()
		item.set(tag.ModalityLUTType, or(h.ModalityLUT.Type, "US"))
		d.set(tag.ModalityLUTSequence, item)
	case h.RescaleSlope != "" && h.RescaleIntercept != "":
		d.set(tag.RescaleIntercept, h.RescaleIntercept)
		d.set(tag.RescaleSlope, h.RescaleSlope)
		d.set(tag.RescaleType, or(h.RescaleType, "US"))
	}
	var voi dataset
	switch {
	case h.VOILUT != nil:
		voi.set(tag.VOILUTSequence, h.VOILUT.dataset())
	case h.WindowCentre != "" && h.WindowWidth != "":
		voi.set(tag.WindowCenter, h.WindowCentre)
		voi.set(tag.WindowWidth, h.WindowWidth)
		voi.setText(tag.VOILUTFunction, h.Function)
	}
	if len(voi) > 0 {
		d.set(tag.SoftcopyVOILUTSequence, voi)
	}
	shape := "IDENTITY"
	if h.Photometric == "MONOCHROME1" {
		shape = "INVERSE"
	}
	d.set(tag.PresentationLUTShape, or(h.PresentationLUTShape, shape))
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// dataset is an item of a look-up table sequence. The second number of the
// descriptor is signed where the film's pixels are (PS3.3 C.11.1.1.1).
func (l *LUT) dataset() (d dataset) {
	descriptor, err := dicom.NewElement(tag.LUTDescriptor, l.Descriptor[:])
	if err != nil {
		panic(err) // the tag is in the dictionary
	}
	if l.Signed {
		descriptor.RawValueRepresentation = "SS"
	}
	b := make([]byte, 0, 2*len(l.Words))
	for _, w := range l.Words {
		b = append(b, byte(w), byte(w>>8))
	}
	data, err := dicom.NewElement(tag.LUTData, b)
	if err != nil {
		panic(err)
	}
	data.RawValueRepresentation = "OW"
	return append(d, descriptor, data)
}

// drawing returns a Graphic Annotation item for each layer that the femur of r
// has something on.
func (f *Film) drawing(r *measure.Record, g *measure.Geometry) []dataset {
	in := frameSize{f.Header.Rows, f.Header.Cols}
	shapes, labels := make(map[string][]shape), make(map[string][]label)
	draw := func(layer string, s []shape) { shapes[layer] = append(shapes[layer], s...) }
	say := func(layer string, at geom.PointPx, words string) {
		if in.holds(at) {
			labels[layer] = append(labels[layer], label{at, words})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(g.Contours)) {
		draw("EDGES", in.polylines(g.Contours[name], fine))
	}
	draw("MIDLINE", in.polylines(g.Midline, fine))
	if c, ok := g.Circles["bow"]; ok {
		draw("CIRCLES", in.arcAlong(c, g.Midline))
	}
	if c, ok := g.Circles["head"]; ok {
		draw("CIRCLES", in.circle(c))
	}
	for _, name := range slices.Sorted(maps.Keys(g.Levels)) {
		l := g.Levels[name]
		draw("LEVELS", in.polylines(l[:], fine))
		words := name
		if name != "isthmus" {
			words += " mm"
		}
		say("LEVELS", l[1], words)
	}
	for _, name := range slices.Sorted(maps.Keys(g.Landmarks)) {
		draw("LANDMARKS", in.point(g.Landmarks[name]))
		say("LANDMARKS", g.Landmarks[name], strings.ReplaceAll(name, "_", " "))
	}
	for _, t := range g.Focal {
		draw("FOCAL", in.polylines([]geom.PointPx{t.From, t.Peak, t.To}, fine))
		if t.HeightMM == 0 { // no scale
			continue
		}
		height, _ := export.Number(measure.Value{X: t.HeightMM}, 1)
		level, _ := export.Number(measure.Value{X: t.LevelMM}, 0)
		say("FOCAL", t.Peak, fmt.Sprintf("+%s mm at %s mm", height, level))
	}
	var out []dataset
	for _, l := range layers {
		if len(shapes[l.name])+len(labels[l.name]) > 0 {
			out = append(out, f.annotation(l.name, r.Frame, shapes[l.name], labels[l.name]))
		}
	}
	return out
}

// label is a text at a place.
type label struct {
	at    geom.PointPx
	words string
}

// annotation is an item of the Graphic Annotation Sequence (PS3.3 C.10.5).
func (f *Film) annotation(layer string, frame int, shapes []shape, labels []label) (d dataset) {
	d.set(tag.ReferencedImageSequence, f.Header.reference(frame))
	d.set(tag.GraphicLayer, layer)
	var graphics, texts []dataset
	for _, s := range shapes {
		var g dataset
		g.set(tag.GraphicAnnotationUnits, "PIXEL")
		g.set(tag.GraphicDimensions, 2)
		g.set(tag.NumberOfGraphicPoints, len(s.points))
		g.set(tag.GraphicData, coordinates(s.points))
		g.set(tag.GraphicType, s.kind)
		if s.kind == "CIRCLE" {
			g.set(tag.GraphicFilled, "N")
		}
		graphics = append(graphics, g)
	}
	for _, l := range labels {
		var t dataset
		t.set(tag.AnchorPointAnnotationUnits, "PIXEL")
		t.set(tag.UnformattedTextValue, l.words)
		t.set(tag.AnchorPoint, coordinates([]geom.PointPx{l.at}))
		t.set(tag.AnchorPointVisibility, "N")
		texts = append(texts, t)
	}
	if len(graphics) > 0 {
		d.set(tag.GraphicObjectSequence, graphics)
	}
	if len(texts) > 0 {
		d.set(tag.TextObjectSequence, texts)
	}
	return d
}

// words is what every page says, along the bottom of the film.
func (f *Film) words() (d dataset) {
	h := &f.Header
	d.set(tag.ReferencedImageSequence, h.reference(0))
	d.set(tag.GraphicLayer, "WORDS")
	var t dataset
	t.set(tag.BoundingBoxAnnotationUnits, "DISPLAY")
	t.set(tag.UnformattedTextValue, export.ReviewWords)
	t.set(tag.BoundingBoxTopLeftHandCorner, []float64{0.02, 0.95})
	t.set(tag.BoundingBoxBottomRightHandCorner, []float64{0.98, 0.99})
	t.set(tag.BoundingBoxTextHorizontalJustification, "LEFT")
	d.set(tag.TextObjectSequence, t)
	return d
}
