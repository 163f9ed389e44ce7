// Package geom holds the plane geometry types that every other package shares.
//
// Pixel coordinates: X right, Y down, (0, 0) at the centre of the first stored
// pixel. Millimetre coordinates have the same directions. Angles are radians
// inside the program and degrees only where they are printed. The package is a
// leaf: it imports nothing of this module.
package geom

import "math"

// MM is a length in millimetres.
type MM = float64

// Angle is an angle in radians.
type Angle float64

// Degrees returns the angle in degrees.
func (a Angle) Degrees() float64 { return float64(a) * 180 / math.Pi }

// PointPx is a place on a film in pixels.
type PointPx struct{ X, Y float64 }

// PointMM is a place or a vector in millimetres.
type PointMM struct{ X, Y float64 }

// Add returns p + q.
func (p PointMM) Add(q PointMM) PointMM { return PointMM{p.X + q.X, p.Y + q.Y} }

// Sub returns p − q.
func (p PointMM) Sub(q PointMM) PointMM { return PointMM{p.X - q.X, p.Y - q.Y} }

// Mul returns k·p.
func (p PointMM) Mul(k float64) PointMM { return PointMM{k * p.X, k * p.Y} }

// Dot returns the scalar product.
func (p PointMM) Dot(q PointMM) float64 { return p.X*q.X + p.Y*q.Y }

// Cross returns the z component of p × q; positive when q lies clockwise of p
// on the film (Y points down).
func (p PointMM) Cross(q PointMM) float64 { return p.X*q.Y - p.Y*q.X }

// Norm returns the length of p.
func (p PointMM) Norm() float64 { return math.Hypot(p.X, p.Y) }

// Unit returns p scaled to length 1, and the zero vector for the zero vector.
func (p PointMM) Unit() PointMM {
	n := p.Norm()
	if n == 0 {
		return PointMM{}
	}
	return PointMM{p.X / n, p.Y / n}
}

// Spacing is the distance between pixel centres in mm: Y between rows, X
// between columns. DICOM stores them in that order.
type Spacing struct{ Y, X float64 }

// MM returns the place of p in millimetres.
func (s Spacing) MM(p PointPx) PointMM { return PointMM{p.X * s.X, p.Y * s.Y} }

// Px returns the place of p in pixels.
func (s Spacing) Px(p PointMM) PointPx { return PointPx{p.X / s.X, p.Y / s.Y} }

// Circle is a circle in millimetres.
type Circle struct {
	C PointMM
	R MM
}

// Line is the line through P along the unit vector D.
type Line struct{ P, D PointMM }
