package measure

import (
	"fmt"
	"math"

	"shaftgauge/measure/geom"
)

// LineFit is a straight line fitted to points.
type LineFit struct {
	geom.Line            // through the weighted mean of the points, from the first towards the last
	RMS       geom.MM    // root of the weighted mean squared distance
	DirSigma  geom.Angle // standard uncertainty of the direction
}

// FitLine returns the straight line with the smallest sum of squared distances
// from p, measured square to the line, each divided by the square of its
// standard uncertainty sigma in mm. With sigma nil all weigh the same and the
// standard uncertainties come from the residuals.
//
// p needs at least 2 finite points at different places; sigma is positive.
//
// Errors: *Error with TooFewPoints or Degenerate.
//
// Source: K. Pearson, Phil. Mag. (6) 2 (1901) 559–572; the angle of the major
// axis in closed form.
func FitLine(p []geom.PointMM, sigma []float64) (LineFit, error) {
	const op = "FitLine"
	if sigma != nil && len(sigma) != len(p) {
		return LineFit{}, &Error{Op: op, Reason: Degenerate, Detail: fmt.Sprintf("%d points, %d sigmas", len(p), len(sigma))}
	}
	if len(p) < 2 {
		return LineFit{}, &Error{Op: op, Reason: TooFewPoints, Detail: fmt.Sprintf("n=%d, need 2", len(p))}
	}
	weight := func(i int) float64 {
		if sigma == nil {
			return 1
		}
		return 1 / (sigma[i] * sigma[i])
	}
	var mean geom.PointMM
	sum := 0.0
	for i, q := range p {
		mean = mean.Add(q.Mul(weight(i)))
		sum += weight(i)
	}
	mean = mean.Mul(1 / sum)
	var xx, xy, yy float64
	for i, q := range p {
		d, w := q.Sub(mean), weight(i)
		xx += w * d.X * d.X
		xy += w * d.X * d.Y
		yy += w * d.Y * d.Y
	}
	spread := math.Hypot(xx-yy, 2*xy)
	if !(spread > 1e-18*(sum+xx+yy)) || math.IsInf(spread, 0) {
		return LineFit{}, &Error{Op: op, Reason: Degenerate, Detail: "no direction stands out"}
	}
	sin, cos := math.Sincos(math.Atan2(2*xy, xx-yy) / 2)
	dir := geom.PointMM{X: cos, Y: sin}
	if p[len(p)-1].Sub(p[0]).Dot(dir) < 0 {
		dir = dir.Mul(-1)
	}
	across, along := 0.0, 0.0
	for i, q := range p {
		d := q.Sub(mean)
		across += weight(i) * dir.Cross(d) * dir.Cross(d)
		along += weight(i) * dir.Dot(d) * dir.Dot(d)
	}
	unit := 1.0 // variance of an observation of weight 1
	if sigma == nil {
		unit = across / max(float64(len(p)-2), 1)
	}
	return LineFit{
		Line:     geom.Line{P: mean, D: dir},
		RMS:      math.Sqrt(across / sum),
		DirSigma: geom.Angle(math.Sqrt(unit / along)),
	}, nil
}

// SignedAngle returns the angle from direction a to direction b in (−π, π],
// positive clockwise on the film (Y points down).
func SignedAngle(a, b geom.PointMM) geom.Angle {
	return geom.Angle(math.Atan2(a.Cross(b), a.Dot(b)))
}
