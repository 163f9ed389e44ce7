package dicomfile

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/simulate"
)

// SOP Class UIDs (PS3.4 Table B.5-1).
var sopClasses = map[simulate.Object]string{
	simulate.ComputedRadiography: "1.2.840.10008.5.1.4.1.1.1",
	simulate.DigitalPresentation: "1.2.840.10008.5.1.4.1.1.1.1",
	simulate.DigitalProcessing:   "1.2.840.10008.5.1.4.1.1.1.1.1",
	simulate.Fluoroscopy:         "1.2.840.10008.5.1.4.1.1.12.2",
	simulate.SecondaryCapture:    "1.2.840.10008.5.1.4.1.1.7",
}

// What every file says alike.
const (
	characterSet = "ISO_IR 192" // UTF-8
	studyTime    = "100000"
	studyID      = "1"
)

// header returns every element of f's file but the pixel data and the file
// meta information. compressed is the size of the encapsulated frames.
func header(f simulate.Film, syntax Syntax, o Options, compressed int) (dataset, error) {
	class, ok := sopClasses[f.Facts.Object]
	if !ok {
		return nil, fmt.Errorf("dicomfile: no object %q", f.Facts.Object)
	}
	var d dataset
	d.set(tag.SOPClassUID, class)
	d.set(tag.SOPInstanceUID, f.Facts.InstanceUID)
	d.set(tag.SpecificCharacterSet, characterSet)
	patient(&d, f.Facts)
	study(&d, f.Facts)
	generalImage(&d, f, syntax)
	geometry(&d, f.Facts)
	pixelModule(&d, f, o)
	if syntax.Lossy() {
		lossy(&d, f, syntax, o, compressed)
	}
	switch f.Facts.Object {
	case simulate.ComputedRadiography:
		computedRadiography(&d, f.Facts)
	case simulate.DigitalPresentation, simulate.DigitalProcessing:
		digitalRadiography(&d, f, syntax)
	case simulate.Fluoroscopy:
		fluoroscopy(&d, f, o)
	case simulate.SecondaryCapture:
		d.set(tag.ConversionType, "DI")
	}
	if o.RescaleSlope != 1 || o.RescaleIntercept != 0 {
		rescale(&d, o.RescaleIntercept, o.RescaleSlope)
	}
	return d, nil
}

// patient is the Patient module (PS3.3 C.7.1.1).
func patient(d *dataset, h simulate.Facts) {
	d.set(tag.PatientName, h.PatientName)
	d.set(tag.PatientID, h.PatientID)
	d.setString(tag.IssuerOfPatientID, h.Issuer)
	d.set(tag.PatientBirthDate, "")
	d.set(tag.PatientSex, "")
}

// study holds the General Study, Series and Equipment modules (PS3.3 C.7.2.1,
// C.7.3.1, C.7.5.1).
func study(d *dataset, h simulate.Facts) {
	d.set(tag.StudyInstanceUID, h.StudyUID)
	d.set(tag.StudyDate, h.StudyDate)
	d.set(tag.StudyTime, studyTime)
	d.set(tag.AccessionNumber, "")
	d.set(tag.ReferringPhysicianName, "")
	d.set(tag.StudyID, studyID)
	d.set(tag.SeriesInstanceUID, h.SeriesUID)
	d.set(tag.SeriesNumber, "1")
	d.set(tag.Modality, h.Modality)
	d.setString(tag.SeriesDescription, h.SeriesDescription)
	d.setString(tag.Laterality, h.Laterality)
	d.setString(tag.BodyPartExamined, h.BodyPart)
	d.set(tag.Manufacturer, "Harrow Vale simulator")
	d.set(tag.InstitutionName, "Harrow Vale fracture service (invented)")
	d.setString(tag.StationName, h.Station)
}

// generalImage holds the General Image and VOI LUT modules (PS3.3 C.7.6.1, C.11.2).
func generalImage(d *dataset, f simulate.Film, syntax Syntax) {
	h := f.Facts
	kind := `ORIGINAL\PRIMARY\`
	switch {
	case h.Object == simulate.SecondaryCapture:
		kind = `DERIVED\SECONDARY`
	case syntax.Lossy():
		kind = `DERIVED\PRIMARY\`
	}
	if h.Object == simulate.Fluoroscopy {
		kind += "SINGLE PLANE"
	}
	d.set(tag.ImageType, kind)
	d.set(tag.InstanceNumber, "1")
	d.set(tag.ContentDate, h.StudyDate)
	d.set(tag.ContentTime, studyTime)
	d.set(tag.AcquisitionDate, h.StudyDate)
	d.set(tag.AcquisitionTime, studyTime)
	d.set(tag.BurnedInAnnotation, "NO")
	if h.PatientOrientation != [2]string{} {
		d.set(tag.PatientOrientation, h.PatientOrientation[0]+`\`+h.PatientOrientation[1])
	}
	d.setString(tag.ImageLaterality, h.ImageLaterality)
	d.setString(tag.ViewPosition, h.ViewPosition)
	if h.ViewCode != "" {
		d.set(tag.ViewCodeSequence, []dataset{code(h.ViewCode, viewMeaning(h.ViewCode))})
	}
	center, width := h.WindowCenter, h.WindowWidth
	if width == 0 && h.Object == simulate.DigitalPresentation {
		center, width = float64(int(1)<<(f.Bits-1)), float64(int(1)<<f.Bits) // all of the range: it must state one
	}
	if width > 0 && h.Object != simulate.DigitalProcessing { // PS3.3 C.8.11.3: no window there
		d.set(tag.WindowCenter, decimals(center))
		d.set(tag.WindowWidth, decimals(width))
	}
}

// geometry says how large a pixel is: Basic Pixel Spacing Calibration macro
// (PS3.3 10.7) and the distances of DX Positioning (C.8.11.5) or XRF Positioner
// (C.8.7.6).
func geometry(d *dataset, h simulate.Facts) {
	setSpacing(d, tag.ImagerPixelSpacing, h.ImagerPixelSpacing)
	setSpacing(d, tag.PixelSpacing, h.PixelSpacing)
	if h.CalibrationType != "" {
		d.set(tag.PixelSpacingCalibrationType, h.CalibrationType)
		d.set(tag.PixelSpacingCalibrationDescription, calibrationDescription(h.CalibrationType))
	}
	if a := h.PixelAspectRatio; a != [2]int{} {
		d.set(tag.PixelAspectRatio, fmt.Sprintf(`%d\%d`, a[0], a[1]))
	}
	d.setDecimal(tag.EstimatedRadiographicMagnificationFactor, h.MagnificationFactor)
	d.setDecimal(tag.DistanceSourceToDetector, h.SourceToDetector)
	d.setDecimal(tag.DistanceSourceToPatient, h.SourceToPatient)
}

func setSpacing(d *dataset, t tag.Tag, s geom.Spacing) {
	d.setDecimal(t, s.Y, s.X)
}

func calibrationDescription(kind string) string {
	if kind == "FIDUCIAL" {
		return "scale ball on the film"
	}
	return "assumed magnification"
}

// pixelModule holds the Image Pixel module (PS3.3 C.7.6.3) and the padding of
// General Equipment (C.7.5.1.1.2).
func pixelModule(d *dataset, f simulate.Film, o Options) {
	d.set(tag.SamplesPerPixel, []uint16{1})
	d.set(tag.PhotometricInterpretation, photometric(f))
	d.set(tag.Rows, []uint16{uint16(f.Rows)})
	d.set(tag.Columns, []uint16{uint16(f.Cols)})
	d.set(tag.BitsAllocated, []uint16{uint16(o.BitsAllocated)})
	d.set(tag.BitsStored, []uint16{uint16(f.Bits)})
	d.set(tag.HighBit, []uint16{uint16(o.HighBit)})
	representation, vr := uint16(0), "US"
	if o.Signed {
		representation, vr = 1, "SS"
	}
	d.set(tag.PixelRepresentation, []uint16{representation})
	if o.PaddingBorder > 0 {
		value := stored([]uint16{paddingValue(f)}, f.Bits, o.Signed)
		value = words(value, f.Bits, Options{Signed: o.Signed, HighBit: f.Bits - 1})
		*d = append(*d, element{tag.PixelPaddingValue, vr, value})
	}
}

func photometric(f simulate.Film) string {
	if f.Monochrome1 {
		return "MONOCHROME1"
	}
	return "MONOCHROME2"
}

// rescale is the Modality LUT module (PS3.3 C.11.1).
func rescale(d *dataset, intercept, slope float64) {
	d.set(tag.RescaleIntercept, decimals(intercept))
	d.set(tag.RescaleSlope, decimals(slope))
	d.set(tag.RescaleType, "US")
}

// lossy holds the Lossy Image Compression attributes (PS3.3 C.7.6.1.1.5).
func lossy(d *dataset, f simulate.Film, syntax Syntax, o Options, compressed int) {
	method := map[Syntax]string{
		JPEGBaseline:       "ISO_10918_1",
		JPEGExtended:       "ISO_10918_1",
		JPEGLSNearLossless: "ISO_14495_1",
		JPEG2000:           "ISO_15444_1",
	}[syntax]
	whole := len(f.Pixels) * (1 + len(o.MoreFrames)) * o.BitsAllocated / 8
	ratio := strconv.FormatFloat(float64(whole)/float64(max(compressed, 1)), 'f', 2, 64)
	d.set(tag.LossyImageCompression, "01")
	d.set(tag.LossyImageCompressionRatio, ratio)
	d.set(tag.LossyImageCompressionMethod, method)
	d.set(tag.DerivationDescription, "compressed by "+syntax.String())
}

// computedRadiography is the CR Series and CR Image modules (PS3.3 C.8.1.1,
// C.8.1.2): Body Part Examined and View Position are there, if empty.
func computedRadiography(d *dataset, h simulate.Facts) {
	if h.BodyPart == "" {
		d.set(tag.BodyPartExamined, "")
	}
	if h.ViewPosition == "" {
		d.set(tag.ViewPosition, "")
	}
	intensity(d, h)
}

// digitalRadiography is the DX modules (PS3.3 C.8.11.1 to C.8.11.5).
func digitalRadiography(d *dataset, f simulate.Film, syntax Syntax) {
	intent := "FOR PRESENTATION"
	shape := "IDENTITY"
	if f.Facts.Object == simulate.DigitalProcessing {
		intent = "FOR PROCESSING"
	}
	if f.Monochrome1 {
		shape = "INVERSE"
	}
	d.set(tag.PresentationIntentType, intent)
	d.set(tag.PresentationLUTShape, shape)
	intensity(d, f.Facts)
	rescale(d, 0, 1)
	if !syntax.Lossy() {
		d.set(tag.LossyImageCompression, "00")
	}
	d.set(tag.DetectorType, "SCINTILLATOR")
	d.set(tag.PositionerType, "COLUMN")
	d.set(tag.AcquisitionContextSequence, []dataset{})
	var region []dataset
	if c, ok := regions[f.Facts.BodyPart]; ok {
		region = []dataset{code(c.value, c.meaning)}
	}
	d.set(tag.AnatomicRegionSequence, region)
}

// fluoroscopy is the X-Ray Image, X-Ray Acquisition and Cine modules (PS3.3
// C.8.7.1, C.8.7.2, C.7.6.5) of the XRF IOD.
func fluoroscopy(d *dataset, f simulate.Film, o Options) {
	intensity(d, f.Facts)
	if f.Facts.PixelIntensityRelationship == "LOG" {
		rescale(d, 0, 1)
	}
	d.set(tag.KVP, "70")
	d.set(tag.RadiationSetting, "GR")
	d.set(tag.XRayTubeCurrent, "")
	d.set(tag.ExposureTime, "")
	d.set(tag.Exposure, "")
	if n := 1 + len(o.MoreFrames); n > 1 {
		d.set(tag.NumberOfFrames, strconv.Itoa(n))
		d.set(tag.FrameIncrementPointer, []uint16{tag.FrameTime.Group, tag.FrameTime.Element})
		d.set(tag.FrameTime, "500")
	}
}

func intensity(d *dataset, h simulate.Facts) {
	d.setString(tag.PixelIntensityRelationship, h.PixelIntensityRelationship)
	if h.PixelIntensitySign != 0 {
		d.set(tag.PixelIntensityRelationshipSign, []uint16{uint16(int16(h.PixelIntensitySign))})
	}
}

// code returns a coded entry of SNOMED CT (PS3.3 8.8).
func code(value, meaning string) dataset {
	var d dataset
	d.set(tag.CodeValue, value)
	d.set(tag.CodingSchemeDesignator, "SCT")
	d.set(tag.CodeMeaning, meaning)
	return d
}

// viewMeaning returns the meaning of a code of PS3.16 CID 4010.
func viewMeaning(value string) string {
	switch value {
	case "399348003":
		return "antero-posterior"
	case "272479007":
		return "postero-anterior"
	case "399067008":
		return "lateral"
	case "399198007":
		return "right lateral"
	case "399173006":
		return "left lateral"
	case "399260004":
		return "medial-lateral"
	case "399352003":
		return "lateral-medial"
	}
	return "view " + strings.TrimSpace(value)
}

// regions are codes of PS3.16 CID 4031 by Body Part Examined (PS3.16 Annex L).
var regions = map[string]struct{ value, meaning string }{
	"FEMUR":     {"71341001", "Femur"},
	"THIGH":     {"68367000", "Thigh"},
	"LEG":       {"61685007", "Lower limb"},
	"EXTREMITY": {"66019005", "Extremity"},
	"HIP":       {"24136001", "Hip joint"},
	"PELVIS":    {"12921003", "Pelvis"},
	"KNEE":      {"72696002", "Knee"},
}
