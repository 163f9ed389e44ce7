package simulate

// Break is a displaced fracture: the part of the femur beyond Z is shifted and
// turned.
type Break struct {
	Z          float64
	Shift      [3]float64 // mm, in the body frame
	Angle      float64    // degrees in the film's plane
	Overriding float64    // mm along the shaft
}

// moved is the pose of the part beyond the fracture.
func (k *Break) moved(p Pose) Pose {
	was := p.placement()
	at := was.world(vec{p.Pivot[0], p.Pivot[1], k.Z})
	shift := was.r.mul(vec{k.Shift[0], k.Shift[1], -k.Overriding})
	p.Pivot = vec{p.Pivot[0], p.Pivot[1], k.Z}
	p.At = at.add(shift)
	p.Slant += k.Angle
	return p
}

// parts splits b at z.
func (b *bone) parts(z float64) (proximal, distal *bone) {
	k := max(2, min(int((z-b.outer.z0)/tubeStep), len(b.outer.st)-2))
	p, d := *b, *b
	p.outer.st, p.inner.st = b.outer.st[:k], b.inner.st[:k]
	d.outer = tube{b.outer.z0 + tubeStep*float64(k-1), b.outer.st[k-1:]}
	d.inner = tube{d.outer.z0, b.inner.st[k-1:]}
	p.solids, d.solids = nil, nil
	for _, s := range b.solids {
		if s.outer.c[2] < z {
			p.solids = append(p.solids, s)
		} else {
			d.solids = append(d.solids, s)
		}
	}
	return p.bounded(), d.bounded()
}
