package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// Sagitta returns the greatest distance in mm between an arc of radius r and
// its chord, both in mm; the minor arc. It is NaN when the chord is longer
// than the diameter.
//
// Source: Pythagoras, s = r − √(r² − c²/4), written without cancellation.
func Sagitta(r, chord geom.MM) geom.MM {
	h := chord / 2
	return h * h / (r + math.Sqrt(r*r-h*h))
}

// SagittaRadius returns the radius in mm of the arc that rises by sagitta over
// chord, both in mm; +Inf for sagitta 0.
//
// Source: the inverse of [Sagitta], r = c²/(8s) + s/2.
func SagittaRadius(chord, sagitta geom.MM) geom.MM {
	return chord*chord/(8*sagitta) + sagitta/2
}

// ArcAngle returns the angle between the end tangents of the minor arc of
// radius r over chord, both in mm; the same angle the arc spans at its centre.
func ArcAngle(r, chord geom.MM) geom.Angle {
	return geom.Angle(2 * math.Asin(chord/(2*r)))
}
