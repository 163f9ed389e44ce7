package intake

import (
	"io"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/pipeline/intake/part10"
	"shaftgauge/pipeline/job"
)

// The storage SOP classes whose images are plain projections or pictures of
// them (PS3.4 B.5). Images of other standard classes are refused; those of
// private classes are judged by their modality.
var sopClasses = map[string]bool{
	"1.2.840.10008.5.1.4.1.1.1":     true, // Computed Radiography
	"1.2.840.10008.5.1.4.1.1.1.1":   true, // Digital X-Ray, for presentation
	"1.2.840.10008.5.1.4.1.1.1.1.1": true, // Digital X-Ray, for processing
	"1.2.840.10008.5.1.4.1.1.12.1":  true, // X-Ray Angiographic
	"1.2.840.10008.5.1.4.1.1.12.2":  true, // X-Ray Radiofluoroscopic
	"1.2.840.10008.5.1.4.1.1.7":     true, // Secondary Capture
	"1.2.840.10008.5.1.4.1.1.7.2":   true, // Multi-frame Grayscale Byte Secondary Capture
	"1.2.840.10008.5.1.4.1.1.7.3":   true, // Multi-frame Grayscale Word Secondary Capture
	"1.2.840.10008.5.1.4.1.1.7.4":   true, // Multi-frame True Color Secondary Capture
}

// standardUIDs is the root of the UIDs that the standard itself assigns.
const standardUIDs = "1.2.840.10008."

// modalities are the defined terms of Modality (PS3.3 C.7.3.1.1.1) that a
// projection radiograph can carry.
var modalities = map[string]bool{"": true, "CR": true, "DX": true, "RF": true, "XA": true, "RG": true, "SC": true, "OT": true}

func (f *File) openDICOM(r io.ReaderAt, size int64, beside job.Beside, limits Limits) error {
	d, err := part10.Open(r, size, 2*int64(limits.MaxPixels)+headerAllowance)
	if err != nil {
		return err
	}
	f.Header = readHeader(d, beside)
	if err := d.Err(); err != nil {
		return err
	}
	h := &f.Header
	if c := h.SOPClass; c != "" && !sopClasses[c] && strings.HasPrefix(c, standardUIDs) {
		return unsupported("SOP class %s is no plain radiograph", c)
	}
	if !modalities[h.Modality] {
		return unsupported("modality %q is no plain radiograph", h.Modality)
	}
	if d.Pixels == nil {
		return unsupported("no pixel data")
	}
	p, err := readPixelModule(d)
	if err != nil {
		return err
	}
	if err := limits.size(p.rows, p.cols, p.frames); err != nil {
		return err
	}
	if p.polarityConflict() {
		h.addReason(measure.PolarityConflict)
	}
	s := &stored{pixelModule: p, Pixels: d.Pixels, syntax: d.Syntax, limits: limits}
	if err := s.locate(d); err != nil {
		return err
	}
	if err := d.Err(); err != nil {
		return err
	}
	f.frames = p.frames
	f.decode = s.frame
	return nil
}

// headerAllowance is added to the pixels of one frame to bound an inflated file.
const headerAllowance = 16 << 20

func readHeader(d *part10.File, beside job.Beside) Header {
	// Nothing that is copied to the output may be longer than its value
	// representation allows (PS3.5 6.2: UI 64, CS 16, DA 8).
	text := func(t tag.Tag) string {
		if s := d.Data.Text(t); len(s) <= 64 {
			return s
		}
		return ""
	}
	h := Header{
		InstanceUID: text(tag.SOPInstanceUID),
		SeriesUID:   text(tag.SeriesInstanceUID),
		StudyUID:    text(tag.StudyInstanceUID),
		PatientID:   d.Data.Text(tag.PatientID),
		Issuer:      d.Data.Text(tag.IssuerOfPatientID),
		Accession:   d.Data.Text(tag.AccessionNumber),
		StudyDate:   text(tag.StudyDate),
		Modality:    text(tag.Modality),
		SOPClass:    text(tag.SOPClassUID),
	}
	if h.SOPClass == "" {
		h.SOPClass = d.Meta.Text(tag.MediaStorageSOPClassUID)
	}
	if h.PatientID == "" {
		h.PatientID = beside.Patient
	}
	if h.StudyDate == "" {
		h.StudyDate = beside.Date
	}
	if o := d.Data.Texts(tag.PatientOrientation); len(o) == 2 {
		h.Orientation = [2]string{o[0], o[1]}
	}
	h.readSide(d.Data, beside)
	h.readView(d.Data, beside)
	h.readScale(d.Data, beside)
	return h
}
