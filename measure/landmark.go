package measure

import "shaftgauge/measure/geom"

// Landmark is a place on the film plane with its standard uncertainty in any
// one direction.
type Landmark struct {
	P     geom.PointMM
	Sigma geom.MM
}

// HeadCircle is the circle fitted to the femoral head, with the standard
// uncertainties of its centre, in any one direction, and of its radius. R is 0
// where only the centre is known.
type HeadCircle struct {
	C              geom.PointMM
	R              geom.MM
	SigmaC, SigmaR geom.MM
}

// Joints are the landmarks of hip and knee of one femur on one film. What was
// not found is nil.
type Joints struct {
	Head                                *HeadCircle
	Neck                                *Landmark   // middle of the narrowest neck
	LesserTrochanter, GreaterTrochanter *Landmark   // their tips; Sigma of the lesser one is that across the shaft
	CondyleLateral, CondyleMedial       *Landmark   // where the tangent common to both touches them
	CanalAbove                          *Value      // width of the canal 20 mm above the level origin, mm
	Turn                                *geom.Angle // of the leg about its long axis, + inwards, by how the hip looks
}
