package dicomfile

import (
	"errors"
	"fmt"

	"shaftgauge/pipeline/simulate"
)

// Options say how a film's samples are laid out in its file: what an archive's
// makers do differently from each other without changing the film. The zero
// value is the plain case.
type Options struct {
	// Signed stores two's complement samples, 2^(Bits−1) below the film's, with
	// the rescale intercept that brings them back. Only CR and SC, and only
	// without loss: the other IODs forbid it (PS3.3 C.8.7.1.1, C.8.11.3.1).
	Signed bool
	// BitsAllocated is 8 or 16; 0: the smallest that holds the film's bits, the
	// only choice outside native syntaxes and RLE.
	BitsAllocated int
	// HighBit is the place of a sample's top bit; 0: Bits − 1, the only choice
	// that today's standard leaves. Older files have 15. Only native syntaxes
	// and RLE.
	HighBit int
	// RescaleSlope, not 0 or 1, and RescaleIntercept are the modality rescale of
	// CR and SC. They only relabel the stored samples.
	RescaleSlope, RescaleIntercept float64
	// PaddingBorder is the width in pixels of a rim filled with Pixel Padding
	// Value: the sample that shows darkest, which no other pixel then has.
	PaddingBorder int
	// MoreFrames are the samples of frames 2, 3 …, as in Film.Pixels. Only RF.
	MoreFrames [][]uint16
	// UndefinedLengths ends sequences by delimiters instead of stating lengths.
	UndefinedLengths bool

	// Predictor of JPEGLossless, 1 to 7; 0: 4.
	Predictor int
	// Quality of JPEGBaseline and JPEGExtended, 1 to 100; 0: 95.
	Quality int
	// Near is the largest error of JPEGLSNearLossless in grey levels; 0: 2.
	Near int
	// StepExponent makes 2^StepExponent the quantisation step of JPEG2000 in
	// grey levels (0: one grey level).
	StepExponent int
}

// withDefaults checks that f can be stored in syntax with o and fills in zeros.
func (o Options) withDefaults(f simulate.Film, syntax Syntax) (Options, error) {
	if f.Bits < 2 || f.Bits > 16 {
		return o, fmt.Errorf("dicomfile: %d bits, want 2 to 16", f.Bits)
	}
	if f.Rows < 1 || f.Cols < 1 || f.Rows > 65535 || f.Cols > 65535 || len(f.Pixels) != f.Rows*f.Cols {
		return o, fmt.Errorf("dicomfile: %d samples for %d × %d", len(f.Pixels), f.Rows, f.Cols)
	}
	if f.Facts.InstanceUID == "" || f.Facts.SeriesUID == "" || f.Facts.StudyUID == "" {
		return o, errors.New("dicomfile: film without UIDs")
	}
	if _, known := syntaxNames[syntax]; !known {
		return o, fmt.Errorf("dicomfile: transfer syntax %s is not known", syntax)
	}
	if !syntax.Fits(f.Bits) {
		return o, fmt.Errorf("dicomfile: %v cannot hold %d bits", syntax, f.Bits)
	}
	for n, frame := range append([][]uint16{f.Pixels}, o.MoreFrames...) {
		if len(frame) != len(f.Pixels) {
			return o, fmt.Errorf("dicomfile: frame %d has %d samples, want %d", n+1, len(frame), len(f.Pixels))
		}
		for i, v := range frame {
			if int(v)>>f.Bits != 0 {
				return o, fmt.Errorf("dicomfile: frame %d: sample %d at %d needs more than %d bits", n+1, v, i, f.Bits)
			}
		}
	}
	rescalable := f.Facts.Object == simulate.ComputedRadiography || f.Facts.Object == simulate.SecondaryCapture
	switch {
	case o.Signed && (!rescalable || syntax.Lossy()):
		return o, fmt.Errorf("dicomfile: no signed samples in %s by %v", f.Facts.Object, syntax)
	case (o.RescaleSlope != 0 || o.RescaleIntercept != 0) && (!rescalable || o.Signed):
		return o, fmt.Errorf("dicomfile: no rescale of its own in %s", f.Facts.Object)
	case len(o.MoreFrames) > 0 && f.Facts.Object != simulate.Fluoroscopy:
		return o, fmt.Errorf("dicomfile: no frames in %s", f.Facts.Object)
	}

	if o.BitsAllocated == 0 {
		o.BitsAllocated = 8
		if f.Bits > 8 {
			o.BitsAllocated = 16
		}
	}
	if o.HighBit == 0 {
		o.HighBit = f.Bits - 1
	}
	switch {
	case o.BitsAllocated != 8 && o.BitsAllocated != 16,
		o.HighBit < f.Bits-1, o.HighBit >= o.BitsAllocated:
		return o, fmt.Errorf("dicomfile: %d bits do not fit in %d with high bit %d", f.Bits, o.BitsAllocated, o.HighBit)
	case o.HighBit != f.Bits-1 && !syntax.Native() && syntax != RLELossless:
		return o, fmt.Errorf("dicomfile: high bit %d in %v", o.HighBit, syntax)
	case o.BitsAllocated == 16 && f.Bits <= 8 && !syntax.Native() && syntax != RLELossless:
		return o, fmt.Errorf("dicomfile: %d bits in 16 in %v", f.Bits, syntax)
	}
	if o.RescaleSlope == 0 {
		o.RescaleSlope = 1
	}
	if o.Signed {
		o.RescaleIntercept = float64(int(1) << (f.Bits - 1))
	}
	if o.Predictor == 0 {
		o.Predictor = 4
	}
	if o.Quality == 0 {
		o.Quality = 95
	}
	if o.Near == 0 {
		o.Near = 2
	}
	return o, nil
}
