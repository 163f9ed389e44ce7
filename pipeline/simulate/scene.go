package simulate

import "shaftgauge/measure/geom"

// Scene is everything on one film. The zero Scene renders nothing: take one from
// [Draw] or [DrawUnseen].
type Scene struct {
	Seed   uint64
	Group  string
	Unseen bool

	Plate  Plate
	Beam   Beam
	Legs   []Leg
	Pelvis Pelvis
	Other  []prop // things that are not femurs
	Field  Field
	Marks  []Mark
	Folds  []Fold
	Metal  []Metal

	Physics Physics
	Style   Style
	Facts   Facts
	Content string // what a film without femur shows
	Picture Picture

	Contradictions []string // what the header says wrongly: side, view
}

// Picture is something that takes the place of a radiograph.
type Picture string

// The pictures that are no radiographs.
const (
	Blank     Picture = "blank"
	Saturated Picture = "saturated"
	Noise     Picture = "noise"
	Form      Picture = "form"

	Wedge      Picture = "wedge"
	Ruler      Picture = "ruler"
	Photograph Picture = "photograph"
)

// Field is the collimated part of the film: a rectangle turned by Angle degrees.
type Field struct {
	X, Y, Width, Height, Angle float64 // mm on the detector
	Round                      float64 // penumbra in mm
	Outside                    Outside
}

// Outside is what the film shows beside the field.
type Outside int

// What is beside the field: scattered radiation, or masked by the processing.
const (
	Scattered Outside = iota
	MaskedBlack
	MaskedWhite
)

// corners returns the field's corners in order.
func (f Field) corners() [4]geom.PointMM {
	s, c := sincosDeg(f.Angle)
	u, v := geom.PointMM{X: c, Y: s}.Mul(f.Width/2), geom.PointMM{X: -s, Y: c}.Mul(f.Height/2)
	m := geom.PointMM{X: f.X, Y: f.Y}
	return [4]geom.PointMM{m.Sub(u).Sub(v), m.Add(u).Sub(v), m.Add(u).Add(v), m.Sub(u).Add(v)}
}

// window is a field made ready for many questions.
type window struct {
	m, u     geom.PointMM
	hw, hh   float64
	shut     float64 // so far outside nothing of the beam passes
	penumbra float64
}

func (f Field) window() window {
	s, c := sincosDeg(f.Angle)
	penumbra := max(f.Round, 0.05)
	return window{geom.PointMM{X: f.X, Y: f.Y}, geom.PointMM{X: c, Y: s}, f.Width / 2, f.Height / 2, -4 * penumbra, penumbra}
}

// depth returns how far p lies inside the field, negative outside, in mm.
func (w *window) depth(p geom.PointMM) float64 {
	x, y := p.X-w.m.X, p.Y-w.m.Y
	a, b := x*w.u.X+y*w.u.Y, y*w.u.X-x*w.u.Y
	return min(w.hw-abs(a), w.hh-abs(b))
}

// Fold is a crease of the skin: a curve beyond which the body is thicker.
type Fold struct {
	A, B  geom.PointMM // its ends on the detector
	Sag   float64      // mm
	Step  float64      // mm of soft tissue
	Width float64      // mm of the air gap along the crease
}

// Mark is a letter or a word on the film.
type Mark struct {
	Text   string
	At     geom.PointMM // its left top, on the film as it is looked at
	Height float64      // mm
	Angle  float64      // degrees
	Lead   bool         // a lead letter in the beam; else stamped by the processing
	White  bool         // of a stamped one
	Turned bool         // stamped in the stored image's own frame: upright on the screen whichever way the film is turned
}

// Metal is an object in the beam: a ball (B equal to A) or a pin.
type Metal struct {
	A, B         geom.PointMM // on the detector
	Radius, Mean float64      // mm; attenuation per mm
	Worn         bool         // it belongs to the film or to what is worn, not to the leg
}

// Physics is the beam and the detector. Attenuations per mm.
type Physics struct {
	Soft, Fat, Cortical, Cancellous float64 // the bones' in excess of soft tissue
	Metal                           float64
	Hardening                       float64 // path p counts as p/(1 + Hardening·p)
	Heel                            float64 // relative fall of exposure across the film
	HeelAngle                       float64 // degrees
	Scatter                         float64 // scattered over primary, over the mean of the film
	ScatterReach                    float64 // mm
	FocalBlur, DetectorBlur         float64 // standard deviations in mm on the detector
	Tail, TailReach                 float64 // share and standard deviation in mm of the glare
	Quanta                          float64 // per mm² in the open field
	Electronic                      float64 // noise in quanta per pixel
	Mottle                          float64 // irregularity of the soft tissue in mm
	Texture                         float64 // relative amplitude of the trabeculae
	TextureScale                    float64 // mm
	TextureSeed                     uint64
}

// Style is what a vendor's processing makes of the exposure.
type Style struct {
	Linear     bool    // stored proportional to exposure
	Edge       float64 // amount of edge enhancement
	EdgeKernel float64 // mm
	Equalise   float64 // share of the large structures that is taken away
	EqualiseMM float64
	Second     float64 // a second, wider band that is enhanced
	SecondMM   float64
	Sigmoid    float64 // steepness; 0: linear look-up
	Low, High  float64 // quantiles of the field that are mapped to 0.08 and 0.92
	Gamma      float64
	Bits       int
	Inverted   bool    // MONOCHROME1
	Power      float64 // detail is amplified as its size to this power
}
