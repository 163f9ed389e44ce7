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

// Edges are the four edges of a shaft, named as in [Femur]. What was not found is
// empty.
type Edges struct {
	OuterClockwise, InnerClockwise Edge
	OuterCounter, InnerCounter     Edge
}

// Landmark is a place on the bone with its standard uncertainty in mm.
type Landmark struct {
	P     geom.PointPx
	Sigma float64
}

// Circle is a circle on the film with its standard uncertainties in mm: of the
// centre in any one direction, and of the radius. R is in mm, of the working
// scale where the film has none.
type Circle struct {
	C              geom.PointPx
	R              float64
	SigmaC, SigmaR float64
}

// Located is where the network that looks over the whole film saw hip and
// knee, to some millimetres: it says where to look and gives no number.
type Located struct {
	Head, NeckCentre, CondyleLateral, CondyleMedial *Landmark // nil where not seen
}

// Femur is one femur found on a film. Clockwise and Counter name the two sides
// of the shaft: Clockwise lies clockwise from the proximal direction as the
// film is seen. Which of them is lateral or anterior says LateralClockwise.
type Femur struct {
	OuterClockwise, InnerClockwise Edge
	OuterCounter, InnerCounter     Edge

	// The two cortices traced anew, finer.
	CortexClockwise, CortexCounter Cortex
	fine                           [2]*course
	film                           *plane // that they were traced on
	blur                           Blur

	Width float64 // mm (of the working scale where the film has none): the median of the outer widths; NaN where there is none

	// Probabilities from the picture alone, 0 … 1; about ½ means it does not say.
	Found            float64 // that this is a femur, not another bone or thing
	ProximalFirst    float64 // that the edges do run from proximal to distal
	FrontalView      float64 // that the view is AP, not lateral
	LateralClockwise float64 // that lateral (AP) or anterior (lateral view) lies clockwise of proximal

	// What is measured on hip and knee, found at full resolution; nil where not
	// found.
	LesserTrochanter, GreaterTrochanter *Landmark    // their tips
	HeadCircle                          *Circle      // fitted to the rim of the femoral head
	Neck                                *Landmark    // middle of the narrowest neck
	CondyleLateral, CondyleMedial       *Landmark    // where the tangent common to both touches them
	CanalAbove                          [2]*Landmark // the canal's two inner edges 20 mm above the lesser trochanter

	Turn *geom.Angle // of the leg about its long axis, + inwards, by how the hip looks

	Located Located

	Second Edges      // a second, independent estimate of the edges
	Beyond [2]float64 // mm that the film shows along the bone past the edges' first and last points

	Implant                        string       // metal over or beside the shaft: none, intramedullary, plate, stem, other
	MetalOverOuter, MetalOverInner float64      // shares of the outer and inner edges that it hides; they were dropped
	Discontinuous                  bool         // the shaft falls into parts that do not meet
	WorkingSpacing                 geom.Spacing // mm a pixel used inside
}
