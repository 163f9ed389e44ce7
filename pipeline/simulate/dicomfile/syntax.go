package dicomfile

// Syntax is a transfer syntax.
type Syntax string

// The transfer syntaxes that Write knows, by UID (PS3.5 section 10 and Annex A).
const (
	ImplicitLittleEndian Syntax = "1.2.840.10008.1.2"
	ExplicitLittleEndian Syntax = "1.2.840.10008.1.2.1"
	DeflatedLittleEndian Syntax = "1.2.840.10008.1.2.1.99"
	ExplicitBigEndian    Syntax = "1.2.840.10008.1.2.2"
	JPEGBaseline         Syntax = "1.2.840.10008.1.2.4.50" // 8 bits
	JPEGExtended         Syntax = "1.2.840.10008.1.2.4.51" // 12 bits
	JPEGLossless         Syntax = "1.2.840.10008.1.2.4.57" // process 14, any predictor
	JPEGLosslessSV1      Syntax = "1.2.840.10008.1.2.4.70" // process 14, predictor 1
	JPEGLSLossless       Syntax = "1.2.840.10008.1.2.4.80"
	JPEGLSNearLossless   Syntax = "1.2.840.10008.1.2.4.81"
	JPEG2000Lossless     Syntax = "1.2.840.10008.1.2.4.90"
	JPEG2000             Syntax = "1.2.840.10008.1.2.4.91" // lossy here
	RLELossless          Syntax = "1.2.840.10008.1.2.5"
)

// Syntaxes returns all of them, in order of their UIDs.
func Syntaxes() []Syntax {
	return []Syntax{
		ImplicitLittleEndian, ExplicitLittleEndian, DeflatedLittleEndian, ExplicitBigEndian,
		JPEGBaseline, JPEGExtended, JPEGLossless, JPEGLosslessSV1,
		JPEGLSLossless, JPEGLSNearLossless, JPEG2000Lossless, JPEG2000, RLELossless,
	}
}

var syntaxNames = map[Syntax]string{
	ImplicitLittleEndian: "implicit little endian",
	ExplicitLittleEndian: "explicit little endian",
	DeflatedLittleEndian: "deflated explicit little endian",
	ExplicitBigEndian:    "explicit big endian",
	JPEGBaseline:         "JPEG baseline",
	JPEGExtended:         "JPEG extended",
	JPEGLossless:         "JPEG lossless",
	JPEGLosslessSV1:      "JPEG lossless SV1",
	JPEGLSLossless:       "JPEG-LS lossless",
	JPEGLSNearLossless:   "JPEG-LS near-lossless",
	JPEG2000Lossless:     "JPEG 2000 lossless",
	JPEG2000:             "JPEG 2000 lossy",
	RLELossless:          "RLE",
}

// String returns the syntax's common name, or its UID where it has none here.
func (s Syntax) String() string {
	if name, ok := syntaxNames[s]; ok {
		return name
	}
	return string(s)
}

// Lossy reports whether the stored pixels differ from the film's.
func (s Syntax) Lossy() bool {
	switch s {
	case JPEGBaseline, JPEGExtended, JPEGLSNearLossless, JPEG2000:
		return true
	}
	return false
}

// Native reports whether pixels are stored without a codec, as plain words.
func (s Syntax) Native() bool {
	switch s {
	case ImplicitLittleEndian, ExplicitLittleEndian, DeflatedLittleEndian, ExplicitBigEndian:
		return true
	}
	return false
}

// Fits reports whether the syntax can hold samples of that many bits.
func (s Syntax) Fits(bits int) bool {
	switch s {
	case JPEGBaseline:
		return bits == 8
	case JPEGExtended:
		return bits == 12
	}
	return bits >= 2 && bits <= 16
}
