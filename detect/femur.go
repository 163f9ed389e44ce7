package detect

import "shaftgauge/measure/geom"

// Image is one film as it comes from the reader: bone bright.
type Image struct {
	Pixels     []uint16 // row by row
	Rows, Cols int
	Spacing    geom.Spacing // mm a pixel; where HasScale is false only their ratio counts
	HasScale   bool
}

// Edge is a line along a bone's edge from proximal to distal, in pixels.
// Sigma is the standard uncertainty of each point across the shaft, mm (of the
// working scale where the film has none).
type Edge struct {
	P     []geom.PointPx
	Sigma []float64
}

// Landmark is a place on the bone with its standard uncertainty in mm.
type Landmark struct {
	P     geom.PointPx
	Sigma float64
}

// Femur is one femur found on a film. Clockwise and Counter name the two sides
// of the shaft: Clockwise lies clockwise from the proximal direction as the
// film is seen. Which of them is lateral or anterior says LateralClockwise.
type Femur struct {
	OuterClockwise, InnerClockwise Edge
	OuterCounter, InnerCounter     Edge

	// Probabilities from the picture alone, 0 … 1; about ½ means it does not say.
	Found            float64 // that this is a femur
	ProximalFirst    float64 // that the edges do run from proximal to distal
	FrontalView      float64 // that the view is AP, not lateral
	LateralClockwise float64 // that lateral (AP) or anterior (lateral view) lies clockwise of proximal

	LesserTrochanter, Head, NeckCentre *Landmark
	CondyleLateral, CondyleMedial      *Landmark
	Implant                            string       // metal over or beside the shaft: none, intramedullary, plate, stem, other
	MetalOverOuter, MetalOverInner     float64      // shares of the outer and inner edges that it hides; they were dropped
	Discontinuous                      bool         // the shaft falls into parts that do not meet
	WorkingSpacing                     geom.Spacing // mm a pixel used inside
}
