package dicom

import (
	"io"
	"strconv"
	"time"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
)

// comprehensive3DSR is the SOP Class of reports (PS3.4 B.5).
const comprehensive3DSR = "1.2.840.10008.5.1.4.1.1.88.34"

// WriteReport writes a Comprehensive 3D SR of all femurs on f by TID 1500
// Measurement Report, and returns its instance UID. Each femur is a Measurement
// Group (TID 1501), each of its focal thickenings and nails one more.
//
// Every quantity that a film of the row's view can give is there: measured, with
// unit, construction, uncertainty and the points it was taken from; or empty,
// qualified by a code of CID 42, with the reasons. The report is VERIFIED where
// f.Review holds a person's word on every femur; then those persons are its
// verifying observers.
//
// Errors: [ErrHeader]; w fails.
func WriteReport(w io.Writer, f Film, p Program) (instance string, err error) {
	if err := f.check(); err != nil {
		return "", err
	}
	f = f.sayable()
	reviews := f.reviews()
	d := f.common("SR", p)
	d.set(tag.SeriesNumber, "9001")
	d.set(tag.ReferencedPerformedProcedureStepSequence)
	d.set(tag.InstanceNumber, "1")
	d.set(tag.CompletionFlag, "COMPLETE")
	if len(reviews) > 0 && len(reviews) == len(f.Femurs) {
		d.set(tag.VerificationFlag, "VERIFIED")
		d.set(tag.PreliminaryFlag, "FINAL")
		var observers []dataset
		for _, r := range persons(reviews) {
			var o dataset
			o.set(tag.VerifyingObserverName, r.name())
			o.set(tag.VerifyingObserverIdentificationCodeSequence)
			o.set(tag.VerifyingOrganization, r.organization(&f.Header))
			o.set(tag.VerificationDateTime, r.At.Format("20060102150405"))
			observers = append(observers, o)
		}
		d.set(tag.VerifyingObserverSequence, observers)
	} else {
		d.set(tag.VerificationFlag, "UNVERIFIED")
		d.set(tag.PreliminaryFlag, "PRELIMINARY")
	}
	if p := f.Replaces; p != nil { // PS3.3 C.17.2
		var report dataset
		report.set(tag.ReferencedSOPClassUID, comprehensive3DSR)
		report.set(tag.ReferencedSOPInstanceUID, p.InstanceUID)
		d.set(tag.PredecessorDocumentsSequence, hierarchical(p.StudyUID, p.SeriesUID, report))
	}
	d.set(tag.PerformedProcedureCodeSequence)
	d.set(tag.CurrentRequestedProcedureEvidenceSequence, f.Header.evidence())
	d.set(tag.CodingSchemeIdentificationSequence, codingSchemes())

	root := container("", reportTitle, f.content(p, reviews)...)
	d = append(d, root.dataset()...)
	var template dataset
	template.set(tag.MappingResource, "DCMR")
	template.set(tag.TemplateIdentifier, "1500")
	d.set(tag.ContentTemplateSequence, template)
	return d.write(w, comprehensive3DSR, contentDate(p.Written))
}

// contentDate is when the object's content was made.
func contentDate(t time.Time) (d dataset) {
	d.set(tag.ContentDate, t.Format("20060102"))
	d.set(tag.ContentTime, t.Format("150405"))
	return d
}

// evidence refers to the film.
func (h *Header) evidence() dataset { return hierarchical(h.StudyUID, h.SeriesUID, h.reference(0)) }

// hierarchical refers to an instance by study and series (PS3.3 C.17.2.1,
// Hierarchical SOP Instance Reference Macro).
func hierarchical(studyUID, seriesUID string, instance dataset) dataset {
	var series, study dataset
	series.set(tag.SeriesInstanceUID, seriesUID)
	series.set(tag.ReferencedSOPSequence, instance)
	study.set(tag.StudyInstanceUID, studyUID)
	study.set(tag.ReferencedSeriesSequence, series)
	return study
}

// content is what the report's root contains.
func (f *Film) content(p Program, reviews []*Review) []item {
	h := &f.Header
	items := []item{
		code(hasModifier, language, english),
		code(hasContext, observerType, device),
		uidReference(hasContext, deviceUID, newUID("device", p.Version, p.Algorithm)),
		text(hasContext, deviceName, "shaftgauge"),
		text(hasContext, deviceManufacturer, manufacturer),
		text(hasContext, deviceModel, "shaftgauge "+p.Version),
	}
	for _, r := range persons(reviews) {
		items = append(items,
			code(hasContext, observerType, person),
			personNamed(hasContext, personName, r.name()),
			text(hasContext, personOrganization, r.organization(h)))
	}
	procedures := h.Procedures
	if len(procedures) == 0 {
		procedures = []Code{imagingProcedure}
	}
	for _, c := range procedures {
		items = append(items, code(hasModifier, procedureReported, c))
	}
	items = append(items, container(contains, imageLibrary, container(contains, imageLibraryGroup, f.libraryEntry())))

	var groups []item
	nth := make(map[int]int) // femurs by frame
	for i := range f.Femurs {
		frame := f.Femurs[i].Record.Frame
		nth[frame]++
		groups = append(groups, f.groups(i, nth[frame], p)...)
	}
	return append(items, container(contains, imagingMeasurements, groups...))
}

// libraryEntry describes the film (TID 1601–1603).
func (f *Film) libraryEntry() item {
	h := &f.Header
	entry := imageReference(contains, Code{}, h, 0)
	meaning, ok := modalities[h.Modality]
	if !ok { // without a modality the template has no place for the rest
		return entry
	}
	entry = entry.with(
		code(hasAcquired, modality, Code{h.Modality, "DCM", meaning}),
		code(hasAcquired, targetRegion, thigh),
	)
	sides, views := make(map[measure.Side]bool), make(map[measure.View]bool)
	for i := range f.Femurs {
		sides[f.Femurs[i].Record.Side], views[f.Femurs[i].Record.View] = true, true
	}
	switch {
	case sides[measure.Right] && sides[measure.Left]:
		entry = entry.with(code(hasAcquired, imageLaterality, bilateral))
	case sides[""]:
	case sides[measure.Right]:
		entry = entry.with(code(hasAcquired, imageLaterality, right))
	default:
		entry = entry.with(code(hasAcquired, imageLaterality, left))
	}
	entry = entry.with(
		number(hasAcquired, pixelRows, strconv.Itoa(h.Rows), "{pixels}"),
		number(hasAcquired, pixelColumns, strconv.Itoa(h.Cols), "{pixels}"),
	)
	if len(views) == 1 {
		switch f.Femurs[0].Record.View {
		case measure.AP:
			entry = entry.with(code(hasAcquired, imageView, anteroPosterior))
		case measure.Lateral:
			entry = entry.with(code(hasAcquired, imageView, lateralView))
		}
	}
	return entry
}
