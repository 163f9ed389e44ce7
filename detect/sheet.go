package detect

import "shaftgauge/measure/geom"

// sheet is a film in millimetres, less what metal or a letter hides or a border of
// the field cuts off.
type sheet struct {
	film   *plane
	sp     geom.Spacing
	hidden []geom.PointMM // places of metal
	field  field
}

// at returns the brightness of a place; false off the film or the field and beside
// metal.
func (s sheet) at(q geom.PointMM) (float64, bool) {
	if anyNear(s.hidden, q, metalBeside) || s.field.cuts(q, borderBeside) {
		return 0, false
	}
	return s.film.at(q.X/s.sp.X, q.Y/s.sp.Y)
}

// around returns the places of metal that hide anything within d mm of q.
func (s sheet) around(q geom.PointMM, d float64) (near []geom.PointMM) {
	for _, p := range s.hidden {
		if p.Sub(q).Norm() < d+metalBeside {
			near = append(near, p)
		}
	}
	return near
}
