package dicom

import (
	"github.com/suyashkumar/dicom/pkg/tag"
)

// Code is a coded concept: value, designator of its coding scheme, meaning
// (PS3.3 8.8).
type Code struct{ Value, Scheme, Meaning string }

// Scheme is the designator of this program's own codes. Each object that uses
// them says so in its Coding Scheme Identification Sequence.
const Scheme = "99SHAFTGAUGE"

// own is a private code: value has at most 16 characters, meaning at most 64.
func own(value, meaning string) Code { return Code{value, Scheme, meaning} }

// Codes of PS3.16 and of the terminologies that it uses.
var (
	reportTitle        = Code{"126000", "DCM", "Imaging Measurement Report"}
	language           = Code{"121049", "DCM", "Language of Content Item and Descendants"}
	english            = Code{"en", "RFC5646", "English"}
	observerType       = Code{"121005", "DCM", "Observer Type"}
	person             = Code{"121006", "DCM", "Person"}
	device             = Code{"121007", "DCM", "Device"}
	personName         = Code{"121008", "DCM", "Person Observer Name"}
	personOrganization = Code{"121009", "DCM", "Person Observer's Organization Name"}
	deviceUID          = Code{"121012", "DCM", "Device Observer UID"}
	deviceName         = Code{"121013", "DCM", "Device Observer Name"}
	deviceManufacturer = Code{"121014", "DCM", "Device Observer Manufacturer"}
	deviceModel        = Code{"121015", "DCM", "Device Observer Model Name"}
	procedureReported  = Code{"121058", "DCM", "Procedure reported"}
	imagingProcedure   = Code{"363679005", "SCT", "Imaging procedure"} // CID 100

	imageLibrary      = Code{"111028", "DCM", "Image Library"}
	imageLibraryGroup = Code{"126200", "DCM", "Image Library Group"}
	modality          = Code{"121139", "DCM", "Modality"}
	targetRegion      = Code{"123014", "DCM", "Target Region"}
	imageLaterality   = Code{"111027", "DCM", "Image Laterality"}
	imageView         = Code{"111031", "DCM", "Image View"}
	pixelRows         = Code{"110910", "DCM", "Pixel Data Rows"}
	pixelColumns      = Code{"110911", "DCM", "Pixel Data Columns"}

	imagingMeasurements = Code{"126010", "DCM", "Imaging Measurements"}
	measurementGroup    = Code{"125007", "DCM", "Measurement Group"}
	trackingIdentifier  = Code{"112039", "DCM", "Tracking Identifier"}
	trackingUID         = Code{"112040", "DCM", "Tracking Unique Identifier"}
	findingCode         = Code{"121071", "DCM", "Finding"}
	findingSite         = Code{"363698007", "SCT", "Finding Site"}
	laterality          = Code{"272741003", "SCT", "Laterality"}
	measurementMethod   = Code{"370129005", "SCT", "Measurement Method"}
	derivation          = Code{"121401", "DCM", "Derivation"}
	minimum             = Code{"255605001", "SCT", "Minimum"} // CID 7464
	maximum             = Code{"56851009", "SCT", "Maximum"}
	equivalentMeaning   = Code{"121050", "DCM", "Equivalent Meaning of Concept Name"}
	uncertainty         = Code{"371884006", "SCT", "+/-, range of measurement uncertainty"} // CID 225
	selectionStatus     = Code{"121404", "DCM", "Selection Status"}
	userChosen          = Code{"121410", "DCM", "User chosen value"} // CID 224
	sourceOfMeasurement = Code{"121112", "DCM", "Source of Measurement"}
	armOfAngle          = Code{"121223", "DCM", "Arm of angle"}
	algorithmName       = Code{"111001", "DCM", "Algorithm Name"}
	algorithmVersion    = Code{"111003", "DCM", "Algorithm Version"}
	comment             = Code{"121106", "DCM", "Comment"}

	measurementFailure = Code{"114006", "DCM", "Measurement failure"} // CID 42
	notAttempted       = Code{"114007", "DCM", "Measurement not attempted"}
	indeterminate      = Code{"114011", "DCM", "Value indeterminate"}

	femur            = Code{"71341001", "SCT", "Femur"}
	shaftOfFemur     = Code{"41111004", "SCT", "Shaft of Femur"}
	proximalFemur    = Code{"310651003", "SCT", "Proximal Femur"}
	distalFemur      = Code{"310652005", "SCT", "Distal Femur"}
	headOfFemur      = Code{"2812003", "SCT", "Head of Femur"}
	lesserTrochanter = Code{"55499008", "SCT", "Lesser trochanter"}
	thigh            = Code{"68367000", "SCT", "Thigh"}
	right            = Code{"24028007", "SCT", "Right"} // CID 244
	left             = Code{"7771000", "SCT", "Left"}
	bilateral        = Code{"51440002", "SCT", "Bilateral"}
	anteroPosterior  = Code{"399348003", "SCT", "antero-posterior"} // CID 4010
	lateralView      = Code{"399067008", "SCT", "lateral"}

	angle     = Code{"1483009", "SCT", "Angle"}
	length    = Code{"410668003", "SCT", "Length"}
	width     = Code{"103355008", "SCT", "Width"}
	diameter  = Code{"81827009", "SCT", "Diameter"}
	radius    = Code{"131190003", "SCT", "Radius"}
	height    = Code{"121207", "DCM", "Height"}
	distance  = Code{"121206", "DCM", "Distance"}
	thickness = Code{"59089-3", "LN", "Thickness"}
	ratio     = Code{"118586006", "SCT", "Ratio"}
)

// Concepts without a standard code.
var (
	curvature  = own("CURVATURE", "Curvature")
	count      = own("COUNT", "Number of findings")
	focalBump  = own("FOCAL", "Focal thickening of the lateral cortex")
	nailInside = own("NAIL", "Nail of the user's list laid into the canal")
	whyEmpty   = own("WHY_EMPTY", "Reasons of the row that can explain the absence of a value")
	reasonCode = own("REASON", "Reason code of the row")
	measured   = own("MEASURED", "Value as measured, before a person corrected it")
	rowStatus  = own("STATUS", "Status of the row")
)

// modalities are the meanings of those of CID 29 that radiographs come with.
var modalities = map[string]string{
	"CR": "Computed Radiography",
	"DX": "Digital Radiography",
	"RF": "Radiofluoroscopy",
	"XA": "X-Ray Angiography",
	"RG": "Radiographic imaging",
}

// units are the UCUM codes in use (CID 82).
var units = map[string]Code{
	"mm":       {"mm", "UCUM", "mm"},
	"deg":      {"deg", "UCUM", "deg"},
	"m-1":      {"m-1", "UCUM", "/m"},
	"1":        {"1", "UCUM", "no units"},
	"{pixels}": {"{pixels}", "UCUM", "pixels"},
}

// sequence returns the items of a code sequence.
func (c Code) sequence() dataset {
	var d dataset
	d.set(tag.CodeValue, c.Value)
	d.set(tag.CodingSchemeDesignator, c.Scheme)
	d.set(tag.CodeMeaning, c.Meaning)
	return d
}

// codingSchemes identifies the private scheme (PS3.3 C.12.1.4).
func codingSchemes() dataset {
	var d dataset
	d.set(tag.CodingSchemeDesignator, Scheme)
	d.set(tag.CodingSchemeUID, newUID("coding scheme", Scheme))
	d.set(tag.CodingSchemeName, "Constructions and concepts of shaftgauge")
	d.set(tag.CodingSchemeResponsibleOrganization, "shaftgauge")
	return d
}
