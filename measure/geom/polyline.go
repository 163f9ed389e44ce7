package geom

// ArcLengths returns the length along the polyline p from its first point to
// each point, in mm. The first is 0; nil for no points.
func ArcLengths(p []PointMM) []MM {
	if len(p) == 0 {
		return nil
	}
	s := make([]MM, len(p))
	for i := 1; i < len(p); i++ {
		s[i] = s[i-1] + p[i].Sub(p[i-1]).Norm()
	}
	return s
}

// Project returns the point of the polyline p nearest to q, its arc length
// from the first point, and the distance from q to it, all in mm. ok is false
// for a polyline without points.
func Project(p []PointMM, q PointMM) (foot PointMM, s, distance MM, ok bool) {
	if len(p) == 0 {
		return PointMM{}, 0, 0, false
	}
	foot, distance = p[0], q.Sub(p[0]).Norm()
	along := 0.0
	for i := 1; i < len(p); i++ {
		d := p[i].Sub(p[i-1])
		length := d.Norm()
		if length > 0 {
			u := max(0, min(1, q.Sub(p[i-1]).Dot(d)/(length*length)))
			f := p[i-1].Add(d.Mul(u))
			if dist := q.Sub(f).Norm(); dist < distance {
				foot, s, distance = f, along+u*length, dist
			}
		}
		along += length
	}
	return foot, s, distance, true
}
