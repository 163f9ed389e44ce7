package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// Arc is a circular arc fitted to points, held by its curvature so that a
// nearly straight one is as well determined as a round one.
type Arc struct {
	// Curvature in 1/mm. Positive when the centre lies clockwise of Dir on the
	// film (Y points down); 0 is a straight line.
	Curvature      float64
	CurvatureSigma float64      // standard error in 1/mm, of independent errors as large as the residuals
	Foot, Dir      geom.PointMM // a point of the arc and the unit tangent there, from the first point towards the last
	Angle          geom.Angle   // spanned by the points, as seen from the centre; 0 for a straight line
	RMS            geom.MM      // root of the weighted mean squared distance of the points from the arc
	N              int          // points used
}

// Circle returns the arc's circle; ok is false when the arc is straight to
// within rounding and has none.
func (a Arc) Circle() (c geom.Circle, ok bool) {
	r := 1 / a.Curvature
	if math.Abs(r) > 1e9 {
		return geom.Circle{}, false
	}
	return geom.Circle{C: a.Foot.Add(clockwise(a.Dir).Mul(r)), R: math.Abs(r)}, true
}

// clockwise returns d turned by a right angle, clockwise on the film.
func clockwise(d geom.PointMM) geom.PointMM { return geom.PointMM{X: -d.Y, Y: d.X} }

// FitCircle returns the circle that minimises the sum of squared distances
// from p to its rim, each times its weight, and the arc with the residual, in
// mm. w nil: equal weights.
//
// p needs at least 3 finite points that are not on one line. Short arcs leave
// the radius poorly determined: look at the arc's angle and residual, and
// prefer [FitArc] where the curvature is what is asked for.
//
// Errors: *Error with TooFewPoints, Degenerate (also for points on one line)
// or NotConverged; other results are then zero.
//
// Source: GGS94 for the criterion; see [FitArc] for the method.
func FitCircle(p []geom.PointMM, w []float64) (geom.Circle, Arc, error) {
	a, err := FitArc(p, w)
	if err != nil {
		return geom.Circle{}, Arc{}, err
	}
	c, ok := a.Circle()
	if !ok {
		return geom.Circle{}, Arc{}, &Error{Op: "FitCircle", Reason: Degenerate, Detail: "points on one line"}
	}
	return c, a, nil
}

// FitArc returns the circular arc, straight lines included, that minimises the
// sum of squared distances from p, each times its weight (w nil: equal).
//
// p needs at least 3 finite points, not all at one place. Order matters for
// the sign of the curvature only. The residual alone does not say how well the
// curvature is known when neighbouring errors are alike.
//
// Errors: *Error with TooFewPoints, Degenerate or NotConverged.
//
// Source: geometric criterion of GGS94; parameters of KAR91 (curvature,
// direction and offset at the point nearest to an origin on the arc), solved by
// Levenberg–Marquardt from the algebraic fit of PRA87. We take the distance
// itself where KAR91 takes its first-order form.
func FitArc(p []geom.PointMM, w []float64) (Arc, error) {
	f, err := fitArc(p, w)
	if err != nil {
		return Arc{}, err
	}
	return f.arc(), nil
}

// nearest returns the point of the arc nearest to q, and the unit tangent
// there, in the sense of Dir.
func (a Arc) nearest(q geom.PointMM) (p, t geom.PointMM) {
	d := q.Sub(a.Foot)
	// The direction of the normal there is n − κ·d along and across, unit.
	side := clockwise(a.Dir).Sub(d.Mul(a.Curvature)).Unit()
	t = geom.PointMM{X: side.Y, Y: -side.X}
	// Distance of q from the arc towards the centre, without cancellation.
	num := 2*d.Dot(clockwise(a.Dir)) - a.Curvature*d.Dot(d)
	e := num / (1 + math.Sqrt(max(1-a.Curvature*num, 0)))
	return q.Sub(side.Mul(e)), t
}
