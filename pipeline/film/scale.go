package film

import (
	"math"

	"shaftgauge/detect"
	"shaftgauge/measure"
	"shaftgauge/measure/geom"
	"shaftgauge/pipeline/intake"
)

// scale is the pixel size that a film is measured with.
type scale struct {
	spacing       geom.Spacing // mm; where known is false only the ratio counts
	known         bool
	basis         string
	magnification float64
	reasons       []measure.Reason
}

// scaleOf takes the first basis of the contract that applies. A ball of
// diameter mm, where the user states one, comes after the header's own
// corrections and before the bare detector spacing.
func scaleOf(f intake.Film, diameter float64) scale {
	h := f.Header.Scale
	s := scale{spacing: h.Spacing, known: h.Basis != "none" && h.Spacing.X > 0, basis: h.Basis, magnification: h.Magnification}
	if diameter > 0 && (h.Basis == "detector" || h.Basis == "none") {
		if m := marker(f, diameter); m != nil {
			return *m
		}
		s.reasons = append(s.reasons, measure.MarkerNotFound)
	}
	switch s.basis {
	case "detector":
		s.reasons = append(s.reasons, measure.ScaleDetector)
	case "none", "":
		s.basis = "none"
		s.reasons = append(s.reasons, measure.ScaleNone)
		s.known = false
		s.spacing = geom.Spacing{Y: math.Max(h.Aspect, 1e-3), X: 1}
		if h.Aspect <= 0 {
			s.spacing.Y = 1
		}
	}
	return s
}

// unscaled is the pixel in mm that stands in where a film has no scale.
const unscaled = 0.15

// working is the spacing that edges drawn by hand are laid out with.
func (s scale) working() geom.Spacing {
	if s.known {
		return s.spacing
	}
	return geom.Spacing{Y: unscaled * s.spacing.Y, X: unscaled * s.spacing.X}
}

// marker scales by the ball on the film; nil when there is none. Without a
// detector spacing the ball's own pixels are the scale.
func marker(f intake.Film, diameter float64) *scale {
	det := f.Header.Scale.Detector
	unit := det.X > 0 && det.Y > 0
	if !unit {
		det = geom.Spacing{Y: unscaled * math.Max(f.Header.Scale.Aspect, 1e-3), X: unscaled}
		if f.Header.Scale.Aspect <= 0 {
			det.Y = unscaled
		}
	}
	im := image(f, scale{spacing: det, known: true})
	b, err := detect.FindMarker(im, diameter)
	if err != nil || b == nil {
		return nil
	}
	m := b.Diameter / diameter
	s := &scale{spacing: geom.Spacing{Y: det.Y / m, X: det.X / m}, known: true, basis: "marker"}
	if unit {
		s.magnification = m
	}
	return s
}

// write notes the scale in a record.
func (s scale) write(r *measure.Record) {
	r.ScaleBasis = s.basis
	r.Magnification = s.magnification
	if s.known {
		// One figure for both directions where they are equal to a thousandth;
		// unequal pixels are told apart in the geometry, not here.
		r.PixelMM = math.Sqrt(s.spacing.X * s.spacing.Y)
	}
	for _, why := range s.reasons {
		r.AddReason(why)
	}
}

// image is the film as detect sees it. The zero scale stands for square pixels.
func image(f intake.Film, s scale) detect.Image {
	if s.spacing == (geom.Spacing{}) {
		s.spacing = geom.Spacing{Y: 1, X: 1}
	}
	return detect.Image{Pixels: f.Pixels, Rows: f.Rows, Cols: f.Cols, Spacing: s.spacing, HasScale: s.known}
}

// linearise turns a film stored linear in exposure into one linear in
// attenuation, in place: the contrast of bone is then the same wherever it lies.
func linearise(f *intake.Film) {
	if !f.Linear {
		return
	}
	top := 1<<f.Bits - 1
	lut := make([]uint16, top+1)
	// The darkest exposure worth telling apart is a count of 1 in 2^Bits.
	k := 60000 / math.Log(float64(top+1))
	for v := range lut {
		lut[v] = uint16(k * math.Log(float64(top+1)/float64(top-v+1)))
	}
	for i, v := range f.Pixels {
		f.Pixels[i] = lut[min(int(v), top)]
	}
	f.Bits, f.Linear = 16, false
}
