package measure

import (
	"math"

	"shaftgauge/measure/geom"
)

// phantom is a shaft of known geometry: its mid-line is an arc of the given
// curvature (1/mm, + apex to the positive side) from level s0 to s1, and its
// edges lie at the given distances square to it.
type phantom struct {
	curvature float64
	tilt      float64 // direction at level 0 against the image's vertical, + clockwise, radians
	sense     float64 // +1: the positive side lies clockwise of distal (towards −X for a shaft that points down)
	s0, s1    geom.MM
	distance  [4]func(s geom.MM) geom.MM // outer +, outer −, inner +, inner −
}

// at returns the point of the mid-line at level s, its tangent and its normal
// to the positive side.
func (f phantom) at(s geom.MM) (p, t, n geom.PointMM) {
	sin, cos := math.Sincos(f.tilt)
	t0 := geom.PointMM{X: -sin, Y: cos}
	n0 := clockwise(t0).Mul(f.sense)
	// The centre lies on the negative side for an apex on the positive one.
	u, h := s, 0.0
	if k := f.curvature; k != 0 {
		u, h = math.Sin(k*s)/k, -(1-math.Cos(k*s))/k
	}
	p = t0.Mul(u).Add(n0.Mul(h)).Add(geom.PointMM{X: 150, Y: 40})
	sk, ck := math.Sincos(f.curvature * s)
	t = t0.Mul(ck).Sub(n0.Mul(sk))
	n = n0.Mul(ck).Add(t0.Mul(sk))
	return p, t, n
}

func (f phantom) contours(spacing geom.MM) Contours {
	var edges [4]Edge
	n := int(math.Round((f.s1 - f.s0) / spacing))
	for i := 0; i <= n; i++ {
		s := f.s0 + float64(i)*spacing
		p, _, normal := f.at(s)
		for e, distance := range f.distance {
			sign := 1.0
			if e%2 == 1 {
				sign = -1
			}
			edges[e].P = append(edges[e].P, p.Add(normal.Mul(sign*distance(s))))
		}
	}
	return Contours{edges[0], edges[1], edges[2], edges[3]}
}

// tube is a shaft of constant cortices and an outer width that grows by slope
// mm per mm distal of level flare.
func tube(curvature float64, flare, slope geom.MM) phantom {
	grow := func(x geom.MM) func(geom.MM) geom.MM {
		return func(s geom.MM) geom.MM { return x + max(0, s-flare)*slope/2 }
	}
	return phantom{
		curvature: curvature, sense: 1, s0: -30, s1: 330,
		distance: [4]func(geom.MM) geom.MM{grow(15), grow(14), grow(8), grow(6.5)},
	}
}

// waisted is a shaft with all that a real one has and closed-form truth: an
// arc for a mid-line, cortices that thin out, a canal that opens like a
// parabola from level 140, and a flare.
func waisted(curvature float64) phantom {
	outer := func(s geom.MM) geom.MM { return 14.5 + 2.5e-5*square(s-150) + max(0, s-290)*0.3/2 }
	inner := func(c geom.MM) func(geom.MM) geom.MM {
		return func(s geom.MM) geom.MM { return c + 1.5e-4*square(s-140) }
	}
	return phantom{
		curvature: curvature, sense: 1, s0: -20, s1: 340,
		distance: [4]func(geom.MM) geom.MM{outer, outer, inner(6.2), inner(5.8)},
	}
}
