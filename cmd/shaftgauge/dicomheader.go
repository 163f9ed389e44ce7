package main

import (
	"bytes"
	"math"
	"strconv"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/export/dicom"
	"shaftgauge/pipeline/intake/part10"
)

// dicomHeader reads what DICOM objects repeat of the film in content. ok is
// false where it is no DICOM file.
func dicomHeader(content []byte, maxInflated int64) (h dicom.Header, ok bool) {
	f, err := part10.Open(bytes.NewReader(content), int64(len(content)), maxInflated)
	if err != nil {
		return h, false
	}
	d := f.Data
	h = dicom.Header{
		CharacterSet:      d.Texts(tag.SpecificCharacterSet),
		PatientName:       d.Text(tag.PatientName),
		PatientID:         d.Text(tag.PatientID),
		IssuerOfPatientID: d.Text(tag.IssuerOfPatientID),
		PatientBirthDate:  d.Text(tag.PatientBirthDate),
		PatientSex:        d.Text(tag.PatientSex),
		IdentityRemoved:   d.Text(tag.PatientIdentityRemoved),
		Deidentification:  d.Text(tag.DeidentificationMethod),

		StudyUID:           d.Text(tag.StudyInstanceUID),
		StudyDate:          d.Text(tag.StudyDate),
		StudyTime:          d.Text(tag.StudyTime),
		StudyID:            d.Text(tag.StudyID),
		AccessionNumber:    d.Text(tag.AccessionNumber),
		ReferringPhysician: d.Text(tag.ReferringPhysicianName),
		StudyDescription:   d.Text(tag.StudyDescription),
		Institution:        d.Text(tag.InstitutionName),

		SeriesUID:   d.Text(tag.SeriesInstanceUID),
		InstanceUID: d.Text(tag.SOPInstanceUID),
		ClassUID:    d.Text(tag.SOPClassUID),
		Modality:    d.Text(tag.Modality),
		Frames:      1,

		Photometric:      d.Text(tag.PhotometricInterpretation),
		RescaleIntercept: d.Text(tag.RescaleIntercept),
		RescaleSlope:     d.Text(tag.RescaleSlope),
		RescaleType:      d.Text(tag.RescaleType),
		ModalityLUT:      lookUp(d, tag.ModalityLUTSequence),

		LossyCompression: d.Text(tag.LossyImageCompression),
		LossyRatio:       d.Text(tag.LossyImageCompressionRatio),
		LossyMethod:      d.Text(tag.LossyImageCompressionMethod),
	}
	if s := d.Text(tag.PresentationLUTShape); s == "IDENTITY" || s == "INVERSE" { // printers know others
		h.PresentationLUTShape = s
	}
	if width := d.Numbers(tag.WindowWidth); len(width) > 0 && possible(width[0]) {
		h.WindowCentre, h.WindowWidth = first(d.Texts(tag.WindowCenter)), first(d.Texts(tag.WindowWidth))
		h.Function = d.Text(tag.VOILUTFunction)
	}
	h.Rows, _ = d.Int(tag.Rows)
	h.Cols, _ = d.Int(tag.Columns)
	if n, ok := d.Int(tag.NumberOfFrames); ok && n > 1 {
		h.Frames = n
	}
	if h.WindowCentre == "" || h.WindowWidth == "" {
		h.VOILUT = lookUp(d, tag.VOILUTSequence)
	}
	for _, item := range d.Items(tag.ProcedureCodeSequence) {
		c := dicom.Code{Value: item.Text(tag.CodeValue), Scheme: item.Text(tag.CodingSchemeDesignator), Meaning: item.Text(tag.CodeMeaning)}
		if c.Value != "" && c.Scheme != "" && c.Meaning != "" {
			h.Procedures = append(h.Procedures, c)
		}
	}
	for _, t := range []tag.Tag{tag.PixelSpacing, tag.ImagerPixelSpacing} {
		if s := d.Numbers(t); len(s) == 2 && possible(s[0]) && possible(s[1]) {
			h.Spacing = [2]float64{s[0], s[1]}
			break
		}
	}
	if a := d.Texts(tag.PixelAspectRatio); len(a) == 2 {
		y, err1 := strconv.Atoi(a[0])
		x, err2 := strconv.Atoi(a[1])
		if err1 == nil && err2 == nil {
			h.AspectRatio = [2]int{y, x}
		}
	}
	return h, true
}

// earlierReport reads which report content is, and which one it replaced; nil
// where that is none.
func earlierReport(content []byte, maxInflated int64) (own, replaced *dicom.Document) {
	f, err := part10.Open(bytes.NewReader(content), int64(len(content)), maxInflated)
	if err != nil || f.Data.Text(tag.SOPInstanceUID) == "" || f.Data.Text(tag.Modality) != "SR" {
		return nil, nil
	}
	own = &dicom.Document{StudyUID: f.Data.Text(tag.StudyInstanceUID), SeriesUID: f.Data.Text(tag.SeriesInstanceUID), InstanceUID: f.Data.Text(tag.SOPInstanceUID)}
	for _, study := range f.Data.Items(tag.PredecessorDocumentsSequence) {
		for _, series := range study.Items(tag.ReferencedSeriesSequence) {
			for _, report := range series.Items(tag.ReferencedSOPSequence) {
				replaced = &dicom.Document{StudyUID: study.Text(tag.StudyInstanceUID), SeriesUID: series.Text(tag.SeriesInstanceUID),
					InstanceUID: report.Text(tag.ReferencedSOPInstanceUID)}
			}
		}
	}
	return own, replaced
}

func possible(x float64) bool { return x > 0 && !math.IsInf(x, 0) }

func first(values []string) string {
	if len(values) == 0 {
		return ""
	}
	return values[0]
}

// lookUp returns the first look-up table of the sequence t, nil where there is
// none that can be used.
func lookUp(d *part10.Dataset, t tag.Tag) *dicom.LUT {
	items := d.Items(t)
	if len(items) == 0 {
		return nil
	}
	descriptor := items[0].Numbers(tag.LUTDescriptor)
	l := dicom.LUT{Words: items[0].Words(tag.LUTData), Type: items[0].Text(tag.ModalityLUTType)}
	if len(descriptor) != 3 || len(l.Words) == 0 {
		return nil
	}
	for i, x := range descriptor {
		l.Descriptor[i] = int(x)
	}
	l.Signed = l.Descriptor[1] < 0
	return &l
}
