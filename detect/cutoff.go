package detect

// cutOff tells whether what t takes for the outer edge of side s at level k lies on a border
// of the field, or past it: there the bone was cut off.
func (t *shaftTrace) cutOff(k, s int) bool {
	return t.field.cuts(t.m.p[k].Add(t.m.n[k].Mul(outward[s]*t.side[s][k].outer)), borderBeside)
}

// dropCutOff takes from t the edges that a border cuts off.
func (t *shaftTrace) dropCutOff() {
	for s := range t.side {
		for k := range t.side[s] {
			if l := &t.side[s][k]; l.ok && t.cutOff(k, s) {
				l.ok, l.innerOK, t.cut = false, false, true
			}
		}
	}
}
