package simulate

import "shaftgauge/measure/geom"

// clutter draws folds, letters and pins across the lateral cortex.
func (j *stripJob) clutter(g grid) (folds []Fold, marks []Mark, pins []Metal) {
	at := func() geom.PointMM {
		return g.place(fineCols*j.even(0.1, 0.9), StripRows*j.even(0.02, 0.98))
	}
	folds = j.Folds
	if j.chance(0.3) {
		for range 1 + j.IntN(2) {
			sn, cs := sincosDeg(j.even(-75, 75))
			u := g.dx.Unit().Mul(cs).Add(g.dy.Unit().Mul(sn)).Mul(j.even(30, 160))
			c := at()
			folds = append(folds, Fold{A: c.Sub(u), B: c.Add(u), Sag: j.even(-12, 12), Step: j.even(0.5, 9), Width: j.even(0.3, 2)})
		}
	}
	marks, pins = j.Marks, j.Metal
	if j.chance(0.18) {
		words := []string{"R", "L", "SUPINE", "HV 07", "09:15", "PORT", "K.T.", "-", "1", "/"}
		for range 1 + j.IntN(2) {
			m := Mark{Text: words[j.IntN(len(words))], Height: span{3, 16}.wide(j.Rand), White: j.chance(0.75), Lead: j.chance(0.3), Angle: j.even(-30, 30) + 90*float64(j.IntN(4)/2)}
			c := at()
			m.At = geom.PointMM{X: c.X - j.Float64()*m.width(), Y: c.Y - j.Float64()*m.Height}
			marks = append(marks, m)
		}
	}
	if j.chance(0.12) { // clips, or what is less dense
		mean := []float64{0.6, 0.03, 0.06}[j.IntN(3)]
		for range 1 + j.IntN(4) {
			c, sn, cs := at(), 0.0, 0.0
			sn, cs = sincosDeg(j.even(0, 360))
			pins = append(pins, Metal{A: c, B: c.Add(geom.PointMM{X: cs, Y: sn}.Mul(j.even(1, 20))), Radius: span{0.3, 1.2}.wide(j.Rand), Mean: mean})
		}
	}
	return folds, marks, pins
}

// fold lays folds over the strip, at every second of its columns.
func (j *stripJob) fold(f *stripFilm, g grid, folds []Fold) {
	for _, q := range folds {
		for r := range StripRows {
			line := f.fine.v[r*fineCols : (r+1)*fineCols]
			last := 0.0
			for c := 0; c <= fineCols; c += 4 {
				v := j.Physics.Soft * q.path(g.place(float64(c), float64(r)))
				if c > 0 && (v != 0 || last != 0) {
					for k := range 4 {
						line[c-4+k] += float32(last + (v-last)*float64(k)/4)
					}
				}
				last = v
			}
		}
		for r := range wideRows {
			for c := range wideCols {
				p := g.place(float64(c-stripBeyond)*10, float64(r-stripAround)*2)
				f.wide.v[r*wideCols+c] += float32(j.Physics.Soft * q.path(p))
			}
		}
	}
}
