package simulate

import "shaftgauge/measure/geom"

// Scale returns the pixel size that the header yields by the contract's order
// of bases: a calibrated Pixel Spacing; Imager Pixel Spacing over the
// magnification factor, then over SID/SOD; as it is; nothing. Pixel Spacing
// without a calibration type counts as calibrated only when it differs from
// Imager Pixel Spacing (PS3.3, 10.7.1.1).
func (f Facts) Scale() (basis string, mm geom.Spacing, magnification float64) {
	none := geom.Spacing{}
	imager := f.ImagerPixelSpacing
	over := func(m float64) geom.Spacing { return geom.Spacing{Y: imager.Y / m, X: imager.X / m} }
	switch {
	case f.PixelSpacing != none && (f.CalibrationType != "" || imager != none && f.PixelSpacing != imager):
		if imager != none {
			magnification = imager.X / f.PixelSpacing.X
		}
		return "calibrated", f.PixelSpacing, magnification
	case imager == none:
		return "none", none, 0
	case f.MagnificationFactor > 0:
		return "magnification_factor", over(f.MagnificationFactor), f.MagnificationFactor
	case f.SourceToDetector > 0 && f.SourceToPatient > 0:
		m := f.SourceToDetector / f.SourceToPatient
		return "distances", over(m), m
	}
	return "detector", imager, 0
}
