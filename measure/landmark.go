package measure

import "shaftgauge/measure/geom"

// Landmark is a place on the film plane with its standard uncertainty in any
// one direction.
type Landmark struct {
	P     geom.PointMM
	Sigma geom.MM
}

// HeadCircle is the circle fitted to the femoral head, with the standard
// uncertainties of its centre, in any one direction, and of its radius.
type HeadCircle struct {
	C              geom.PointMM
	R              geom.MM
	SigmaC, SigmaR geom.MM
}

// Joints are the landmarks of hip and knee of one femur on one film. What was
// not found is nil.
type Joints struct {
	Head                          *HeadCircle
	Neck                          *Landmark // middle of the narrowest neck
	GreaterTrochanter             *Landmark // its tip
	CondyleLateral, CondyleMedial *Landmark // where the tangent common to both touches them
	CanalAbove                    *Value    // width of the canal 20 mm above the level origin, mm
}
