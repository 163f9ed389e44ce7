package simulate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A lesser trochanter of another form is an ellipsoid whose surface has the tip
// that the old one had (x of |M(x - c)| = 1).
func TestOtherLesserKeepsTheTip(t *testing.T) {
	for seed := range uint64(20) {
		s := Draw(rand.New(rand.NewPCG(seed, 1)), "ap_full")
		b := s.Legs[0].Anatomy.build()
		was := b.solids[b.lesser].outer
		tip := was.c.add(was.m[0].unit().mul(1 / was.m[0].norm()))
		b.otherLesser(rand.New(rand.NewPCG(seed, 2)))
		q := b.solids[b.lesser].outer
		d := q.m.mul(tip.sub(q.c))
		if math.Abs(d.norm()-1) > 1e-9 {
			t.Errorf("seed %d: the tip lies at %v of the surface, want 1", seed, d.norm())
		}
	}
}
