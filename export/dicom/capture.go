package dicom

import (
	"fmt"
	"image"
	"io"

	"github.com/suyashkumar/dicom"
	"github.com/suyashkumar/dicom/pkg/tag"
)

// secondaryCaptureImage is the SOP Class of captures (PS3.4 B.5).
const secondaryCaptureImage = "1.2.840.10008.5.1.4.1.1.7"

// WriteCapture writes img, the overlay picture of one frame of f, as a colour
// Secondary Capture image derived from it, and returns its instance UID.
//
// Errors: [ErrHeader]; an empty picture or one of more than 65535 pixels a side;
// w fails.
func WriteCapture(w io.Writer, f Film, p Program, frame int, img image.Image) (instance string, err error) {
	if err := f.check(); err != nil {
		return "", err
	}
	size := img.Bounds().Size()
	if size.X < 1 || size.Y < 1 || size.X > 65535 || size.Y > 65535 {
		return "", fmt.Errorf("dicom: picture of %d × %d pixels", size.X, size.Y)
	}
	h := &f.Header
	d := f.common("OT", p)
	d.set(tag.SeriesNumber, "9003")
	d.set(tag.Laterality, f.laterality())
	d.set(tag.InstanceNumber, decimalInt(frame))
	d.set(tag.PatientOrientation)
	d.set(tag.ConversionType, "WSD")
	d.set(tag.ImageType, []string{"DERIVED", "SECONDARY"})
	d.set(tag.DerivationDescription, "Film with what was measured drawn on it, for review")
	d.set(tag.SourceImageSequence, h.reference(frame))
	d.set(tag.BurnedInAnnotation, "YES") // the film's name stands on it
	if h.LossyCompression == "01" && h.LossyRatio != "" && h.LossyMethod != "" {
		d.set(tag.LossyImageCompression, "01")
		d.set(tag.LossyImageCompressionRatio, h.LossyRatio)
		d.set(tag.LossyImageCompressionMethod, h.LossyMethod)
	}
	d.set(tag.SamplesPerPixel, 3)
	d.set(tag.PhotometricInterpretation, "RGB")
	d.set(tag.PlanarConfiguration, 0)
	d.set(tag.Rows, size.Y)
	d.set(tag.Columns, size.X)
	d.set(tag.BitsAllocated, 8)
	d.set(tag.BitsStored, 8)
	d.set(tag.HighBit, 7)
	d.set(tag.PixelRepresentation, 0)
	d.set(tag.PixelData, dicom.PixelDataInfo{IntentionallyUnprocessed: true, UnprocessedValueData: colours(img)})
	return d.write(w, secondaryCaptureImage, contentDate(p.Written))
}

// colours are the red, green and blue bytes of img, row by row, of even number.
func colours(img image.Image) []byte {
	b := img.Bounds()
	out := make([]byte, 0, 3*b.Dx()*b.Dy()+1)
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, blue, _ := img.At(x, y).RGBA()
			out = append(out, byte(r>>8), byte(g>>8), byte(blue>>8))
		}
	}
	if len(out)%2 == 1 {
		out = append(out, 0)
	}
	return out
}
