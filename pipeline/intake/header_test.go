package intake_test

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"github.com/suyashkumar/dicom"
	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
	"shaftgauge/pipeline/job"
)

// small is a film of 4 x 6 pixels.
func small() attributes {
	return header(4, 6, 16, 12).with(attributes{tag.PixelData: picture(4, 6, 12, 1)})
}

func readHeader(t *testing.T, a attributes, beside job.Beside) intake.Header {
	t.Helper()
	data := a.file()
	f, err := intake.Open(bytes.NewReader(data), int64(len(data)), beside, testLimits)
	if err != nil {
		t.Fatal(err)
	}
	return f.Header
}

func region(codes ...string) []attributes {
	var modifiers []attributes
	for _, c := range codes {
		modifiers = append(modifiers, attributes{tag.CodeValue: c, tag.CodingSchemeDesignator: "SCT", tag.CodeMeaning: "side"})
	}
	return []attributes{{tag.CodeValue: "71341001", tag.CodingSchemeDesignator: "SCT", tag.CodeMeaning: "Femur",
		tag.AnatomicRegionModifierSequence: modifiers}}
}

func viewCode(code string) []attributes {
	return []attributes{{tag.CodeValue: code, tag.CodingSchemeDesignator: "SCT", tag.CodeMeaning: "view"}}
}

// TestSide: PS3.3 C.7.3.1.1.1 and C.7.6.16.2.17 (defined terms), CID 244 for
// codes; that a conflict is a reason and not a choice is the measurement
// contract's rule.
func TestSide(t *testing.T) {
	for _, c := range []struct {
		name     string
		set      attributes
		beside   job.Beside
		want     intake.Side
		conflict bool
	}{
		{name: "nothing said"},
		{name: "image laterality", set: attributes{tag.ImageLaterality: "L"}, want: intake.Left},
		{name: "laterality", set: attributes{tag.Laterality: "R"}, want: intake.Right},
		{name: "both legs", set: attributes{tag.ImageLaterality: "B"}, want: intake.Both},
		{name: "unpaired", set: attributes{tag.ImageLaterality: "U"}},
		{name: "empty", set: attributes{tag.ImageLaterality: ""}},
		{name: "agree", set: attributes{tag.ImageLaterality: "R", tag.Laterality: "R", tag.AnatomicRegionSequence: region("24028007")}, want: intake.Right},
		{name: "region modifier", set: attributes{tag.AnatomicRegionSequence: region("7771000")}, want: intake.Left},
		{name: "region modifier, older code", set: attributes{tag.AnatomicRegionSequence: region("G-A100")}, want: intake.Right},
		{name: "region modifiers of both sides", set: attributes{tag.AnatomicRegionSequence: region("7771000", "24028007")}, want: intake.Both},
		{name: "attributes differ", set: attributes{tag.ImageLaterality: "R", tag.Laterality: "L"}, conflict: true},
		{name: "region differs", set: attributes{tag.ImageLaterality: "R", tag.AnatomicRegionSequence: region("7771000")}, conflict: true},
		{name: "words alone are not enough", set: attributes{tag.SeriesDescription: "FEMUR LEFT"}},
		{name: "words contradict", set: attributes{tag.ImageLaterality: "R", tag.SeriesDescription: "Lt femur ap"}, conflict: true},
		{name: "words agree", set: attributes{tag.ImageLaterality: "L", tag.SeriesDescription: "Lt femur ap"}, want: intake.Left},
		{name: "words of both sides", set: attributes{tag.ImageLaterality: "L", tag.SeriesDescription: "right and left femur"}, want: intake.Left},
		{name: "films.csv fills", beside: job.Beside{Side: "L"}, want: intake.Left},
		{name: "films.csv contradicts", set: attributes{tag.ImageLaterality: "R"}, beside: job.Beside{Side: "L"}, conflict: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := readHeader(t, small().with(c.set), c.beside)
			if h.Side != c.want {
				t.Errorf("side %q, want %q", h.Side, c.want)
			}
			if got := slices.Contains(h.Reasons, measure.SideConflict); got != c.conflict {
				t.Errorf("reasons %v, conflict wanted: %v", h.Reasons, c.conflict)
			}
		})
	}
}

// TestView: PS3.3 C.8.1.1 and C.8.11.5 (View Position), PS3.16 CID 4010, PS3.3
// C.7.6.1.1.1 (Patient Orientation).
func TestView(t *testing.T) {
	for _, c := range []struct {
		name   string
		set    attributes
		beside job.Beside
		want   measure.View
		reason measure.Reason
	}{
		{name: "AP", set: attributes{tag.ViewPosition: "AP"}, want: measure.AP},
		{name: "PA", set: attributes{tag.ViewPosition: "PA"}, want: measure.AP},
		{name: "left lateral", set: attributes{tag.ViewPosition: "LL"}, want: measure.Lateral},
		{name: "right lateral", set: attributes{tag.ViewPosition: "RL"}, want: measure.Lateral},
		{name: "decubitus", set: attributes{tag.ViewPosition: "RLD"}},
		{name: "nothing", set: attributes{tag.ViewPosition: nil}},
		{name: "oblique", set: attributes{tag.ViewPosition: "LLO"}, reason: measure.ViewOblique},
		{name: "code", set: attributes{tag.ViewPosition: nil, tag.ViewCodeSequence: viewCode("399067008")}, want: measure.Lateral},
		{name: "older code", set: attributes{tag.ViewPosition: nil, tag.ViewCodeSequence: viewCode("R-10206")}, want: measure.AP},
		{name: "oblique code", set: attributes{tag.ViewPosition: nil, tag.ViewCodeSequence: viewCode("399182000")}, reason: measure.ViewOblique},
		{name: "agree", set: attributes{tag.ViewPosition: "AP", tag.ViewCodeSequence: viewCode("399348003")}, want: measure.AP},
		{name: "differ", set: attributes{tag.ViewPosition: "AP", tag.ViewCodeSequence: viewCode("399067008")}, reason: measure.ViewConflict},
		{name: "orientation fits", set: attributes{tag.ViewPosition: "AP", tag.PatientOrientation: `L\F`}, want: measure.AP},
		{name: "on its side", set: attributes{tag.ViewPosition: "AP", tag.PatientOrientation: `F\R`}, want: measure.AP},
		{name: "lateral fits", set: attributes{tag.ViewPosition: "LL", tag.PatientOrientation: `A\F`}, want: measure.Lateral},
		{name: "orientation contradicts", set: attributes{tag.ViewPosition: "AP", tag.PatientOrientation: `A\F`}, reason: measure.ViewConflict},
		{name: "orientation names no view", set: attributes{tag.ViewPosition: nil, tag.PatientOrientation: `L\F`}},
		{name: "films.csv fills", set: attributes{tag.ViewPosition: nil}, beside: job.Beside{View: "lat"}, want: measure.Lateral},
		{name: "films.csv contradicts", beside: job.Beside{View: "LAT"}, reason: measure.ViewConflict},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := readHeader(t, small().with(c.set), c.beside)
			if h.View != c.want {
				t.Errorf("view %q, want %q", h.View, c.want)
			}
			if c.reason == "" && len(h.Reasons) > 0 || c.reason != "" && !slices.Equal(h.Reasons, []measure.Reason{c.reason}) {
				t.Errorf("reasons %v, want %q", h.Reasons, c.reason)
			}
		})
	}
}

// TestScale: the order is the measurement contract's; equality of Pixel Spacing
// and Imager Pixel Spacing is PS3.3 10.7.1.1, the 2 % limit the project's
// decision table, Pixel Aspect Ratio vertical\horizontal PS3.3 C.7.6.3.1.7.
func TestScale(t *testing.T) {
	const (
		conflict    = measure.ScaleConflict
		invalid     = measure.ScaleInvalid
		unexplained = measure.ScaleUnexplained
		bound       = measure.ScaleLowerBound
	)
	for _, c := range []struct {
		name    string
		set     attributes
		beside  job.Beside
		basis   string
		y, x    float64 // spacing
		m       float64
		aspect  float64 // 0: 1
		reasons []measure.Reason
	}{
		{name: "detector", basis: "detector", y: 0.15, x: 0.15},
		{name: "nothing", set: attributes{tag.ImagerPixelSpacing: nil}, basis: "none"},
		{name: "rows and columns", set: attributes{tag.ImagerPixelSpacing: `0.30\0.25`}, basis: "detector", y: 0.30, x: 0.25, aspect: 1.2},
		{name: "fiducial", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.PixelSpacingCalibrationType: "FIDUCIAL"},
			basis: "calibrated", y: 0.125, x: 0.125, m: 1.2},
		{name: "geometry", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.PixelSpacingCalibrationType: "GEOMETRY",
			tag.EstimatedRadiographicMagnificationFactor: "1.2"}, basis: "calibrated", y: 0.125, x: 0.125, m: 1.2},
		{name: "calibrated without detector", set: attributes{tag.ImagerPixelSpacing: nil, tag.PixelSpacing: `0.125\0.125`,
			tag.PixelSpacingCalibrationType: "FIDUCIAL"}, basis: "calibrated", y: 0.125, x: 0.125},
		{name: "calibration and factor within 2 %", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.PixelSpacingCalibrationType: "FIDUCIAL",
			tag.EstimatedRadiographicMagnificationFactor: "1.18"}, basis: "calibrated", y: 0.125, x: 0.125, m: 1.2},
		{name: "calibration and factor differ", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.PixelSpacingCalibrationType: "FIDUCIAL",
			tag.EstimatedRadiographicMagnificationFactor: "1.10"}, basis: "calibrated", y: 0.125, x: 0.125, m: 1.2, reasons: []measure.Reason{conflict}},
		{name: "calibrated larger than the detector's", set: attributes{tag.PixelSpacing: `0.2\0.2`, tag.PixelSpacingCalibrationType: "FIDUCIAL"},
			basis: "calibrated", y: 0.2, x: 0.2, m: 0.75, reasons: []measure.Reason{conflict}},
		{name: "factor", set: attributes{tag.EstimatedRadiographicMagnificationFactor: "1.2"}, basis: "magnification_factor", y: 0.125, x: 0.125, m: 1.2},
		{name: "factor before distances", set: attributes{tag.EstimatedRadiographicMagnificationFactor: "1.25",
			tag.DistanceSourceToDetector: "1100", tag.DistanceSourceToPatient: "1000"}, basis: "magnification_factor", y: 0.12, x: 0.12, m: 1.25},
		{name: "distances", set: attributes{tag.DistanceSourceToDetector: "1150", tag.DistanceSourceToPatient: "1000"},
			basis: "distances", y: 0.15 / 1.15, x: 0.15 / 1.15, m: 1.15, reasons: []measure.Reason{bound}},
		{name: "factor below distances", set: attributes{tag.EstimatedRadiographicMagnificationFactor: "1.05",
			tag.DistanceSourceToDetector: "1200", tag.DistanceSourceToPatient: "1000"}, basis: "magnification_factor", y: 0.15 / 1.05, x: 0.15 / 1.05, m: 1.05,
			reasons: []measure.Reason{conflict}},
		{name: "source nearer the detector than the patient", set: attributes{tag.DistanceSourceToDetector: "900", tag.DistanceSourceToPatient: "1000"},
			basis: "detector", y: 0.15, x: 0.15, reasons: []measure.Reason{conflict}},
		{name: "no distance to the patient", set: attributes{tag.DistanceSourceToDetector: "1150"}, basis: "detector", y: 0.15, x: 0.15},
		{name: "distance of zero", set: attributes{tag.DistanceSourceToDetector: "1150", tag.DistanceSourceToPatient: "0"},
			basis: "detector", y: 0.15, x: 0.15, reasons: []measure.Reason{invalid}},
		{name: "pixel spacing equals imager's", set: attributes{tag.PixelSpacing: `0.15\0.15`}, basis: "detector", y: 0.15, x: 0.15},
		{name: "equal, with a factor", set: attributes{tag.PixelSpacing: `0.15\0.15`, tag.EstimatedRadiographicMagnificationFactor: "1.2"},
			basis: "magnification_factor", y: 0.125, x: 0.125, m: 1.2},
		{name: "pixel spacing differs, unexplained", set: attributes{tag.PixelSpacing: `0.125\0.125`}, basis: "detector", y: 0.15, x: 0.15,
			reasons: []measure.Reason{unexplained}},
		{name: "pixel spacing explained by the factor", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.EstimatedRadiographicMagnificationFactor: "1.2"},
			basis: "magnification_factor", y: 0.125, x: 0.125, m: 1.2},
		{name: "pixel spacing contradicts the factor", set: attributes{tag.PixelSpacing: `0.125\0.125`, tag.EstimatedRadiographicMagnificationFactor: "1.1"},
			basis: "magnification_factor", y: 0.15 / 1.1, x: 0.15 / 1.1, m: 1.1, reasons: []measure.Reason{conflict}},
		{name: "pixel spacing alone", set: attributes{tag.ImagerPixelSpacing: nil, tag.PixelSpacing: `0.125\0.125`}, basis: "none",
			reasons: []measure.Reason{unexplained}},
		{name: "digitised film", set: attributes{tag.ImagerPixelSpacing: nil, tag.NominalScannedPixelSpacing: `0.1\0.1`}, basis: "detector", y: 0.1, x: 0.1},
		{name: "shapes differ", set: attributes{tag.PixelSpacing: `0.125\0.130`, tag.PixelSpacingCalibrationType: "FIDUCIAL"},
			basis: "calibrated", y: 0.125, x: 0.130, m: 1.2, aspect: 0.125 / 0.130, reasons: []measure.Reason{conflict}},
		{name: "aspect ratio alone", set: attributes{tag.ImagerPixelSpacing: nil, tag.PixelAspectRatio: `6\5`}, basis: "none", aspect: 1.2},
		{name: "aspect ratio contradicts", set: attributes{tag.PixelAspectRatio: `6\5`}, basis: "detector", y: 0.15, x: 0.15, reasons: []measure.Reason{conflict}},
		{name: "zero", set: attributes{tag.ImagerPixelSpacing: `0\0`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "negative", set: attributes{tag.ImagerPixelSpacing: `-0.15\0.15`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "NaN", set: attributes{tag.ImagerPixelSpacing: `NaN\NaN`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "infinite", set: attributes{tag.ImagerPixelSpacing: `1e999\0.1`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "not a number", set: attributes{tag.ImagerPixelSpacing: `0,15\0,15`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "absurd", set: attributes{tag.ImagerPixelSpacing: `150\150`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "one value", set: attributes{tag.ImagerPixelSpacing: `0.15`}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "bad pixel spacing", set: attributes{tag.PixelSpacing: `0\0`, tag.PixelSpacingCalibrationType: "FIDUCIAL"}, basis: "none", reasons: []measure.Reason{invalid}},
		{name: "bad factor", set: attributes{tag.EstimatedRadiographicMagnificationFactor: "0"}, basis: "detector", y: 0.15, x: 0.15, reasons: []measure.Reason{invalid}},
		{name: "films.csv fills", set: attributes{tag.ImagerPixelSpacing: nil}, beside: job.Beside{SpacingX: 0.2}, basis: "detector", y: 0.2, x: 0.2},
		{name: "films.csv contradicts", beside: job.Beside{SpacingX: 0.2, SpacingY: 0.2}, basis: "detector", y: 0.15, x: 0.15, reasons: []measure.Reason{conflict}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := readHeader(t, small().with(c.set), c.beside)
			s := h.Scale
			if c.aspect == 0 {
				c.aspect = 1
			}
			near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
			if s.Basis != c.basis || !near(s.Spacing.Y, c.y) || !near(s.Spacing.X, c.x) || !near(s.Magnification, c.m) || !near(s.Aspect, c.aspect) {
				t.Errorf("%+v, want %s %v %v, magnification %v, aspect %v", s, c.basis, c.y, c.x, c.m, c.aspect)
			}
			if !slices.Equal(h.Reasons, c.reasons) {
				t.Errorf("reasons %v, want %v", h.Reasons, c.reasons)
			}
		})
	}
}

// TestPolarity: PS3.3 C.8.11.3 ties Pixel Intensity Relationship Sign and
// Presentation LUT Shape to the photometric interpretation.
func TestPolarity(t *testing.T) {
	for _, c := range []struct {
		name        string
		photometric string
		set         attributes
		conflict    bool
	}{
		{"nothing more said", "MONOCHROME1", nil, false},
		{"sign fits 2", "MONOCHROME2", attributes{tag.PixelIntensityRelationshipSign: int16(-1)}, false},
		{"sign fits 1", "MONOCHROME1", attributes{tag.PixelIntensityRelationshipSign: int16(1)}, false},
		{"sign contradicts", "MONOCHROME2", attributes{tag.PixelIntensityRelationshipSign: int16(1)}, true},
		{"shape fits", "MONOCHROME1", attributes{tag.PresentationLUTShape: "INVERSE"}, false},
		{"shape contradicts", "MONOCHROME1", attributes{tag.PresentationLUTShape: "IDENTITY"}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := readHeader(t, small().with(attributes{tag.PhotometricInterpretation: c.photometric, tag.SOPClassUID: dxClass}).with(c.set), job.Beside{})
			if got := slices.Contains(h.Reasons, measure.PolarityConflict); got != c.conflict {
				t.Errorf("reasons %v, conflict wanted: %v", h.Reasons, c.conflict)
			}
		})
	}
}

// TestHeaderPeer compares what we read with what github.com/suyashkumar/dicom
// reads of the same file, in two syntaxes written by dcmtk.
func TestHeaderPeer(t *testing.T) {
	set := small().with(attributes{tag.PatientOrientation: `L\F`, tag.ImageLaterality: "R", tag.AnatomicRegionSequence: region("24028007"),
		tag.DistanceSourceToDetector: "1150", tag.DistanceSourceToPatient: "1000"})
	for _, args := range [][]string{{"dcmconv", "+te", "IN", "OUT"}, {"dcmconv", "+ti", "-e", "IN", "OUT"}} {
		data := tool(t, set.file(), args...)
		f, err := open(t, data)
		if err != nil {
			t.Fatal(err)
		}
		peer, err := dicom.Parse(bytes.NewReader(data), int64(len(data)), nil, dicom.SkipPixelData())
		if err != nil {
			t.Fatal(err)
		}
		text := func(g tag.Tag) string {
			el, err := peer.FindElementByTag(g)
			if err != nil {
				t.Fatalf("%v: %v", g, err)
			}
			return el.Value.GetValue().([]string)[0]
		}
		h := f.Header
		for _, c := range []struct {
			got  string
			want tag.Tag
		}{
			{h.InstanceUID, tag.SOPInstanceUID}, {h.SeriesUID, tag.SeriesInstanceUID}, {h.StudyUID, tag.StudyInstanceUID},
			{h.PatientID, tag.PatientID}, {h.Issuer, tag.IssuerOfPatientID}, {h.StudyDate, tag.StudyDate},
			{h.Modality, tag.Modality}, {h.SOPClass, tag.SOPClassUID}, {string(h.Side), tag.ImageLaterality},
			{string(h.View), tag.ViewPosition}, {h.Orientation[0], tag.PatientOrientation},
		} {
			if c.got != text(c.want) || c.got == "" {
				t.Errorf("%v: %q, peer reads %q", c.want, c.got, text(c.want))
			}
		}
		if h.Scale.Detector != (geom.Spacing{Y: 0.15, X: 0.15}) {
			t.Errorf("detector spacing %v", h.Scale.Detector)
		}
	}
}
