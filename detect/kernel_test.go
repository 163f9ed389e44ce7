package detect

import (
	"math"
	"testing"
)

// The mean of max(0, u+Z) for a standard normal Z is u·Φ(u) + φ(u): common
// textbook result (expected value of a rectified Gaussian), from memory.
func TestBlurredRamp(t *testing.T) {
	for _, u := range []float64{-3, -1, 0, 0.37, 2, 5} {
		want := u*0.5*math.Erfc(-u/math.Sqrt2) + math.Exp(-u*u/2)/math.Sqrt(2*math.Pi)
		got, slope := blurredPower(1, u*0.4, 0.4)
		if math.Abs(got/0.4-want) > 1e-4 {
			t.Errorf("ramp at %v: %v, want %v", u, got/0.4, want)
		}
		if phi := 0.5 * math.Erfc(-u/math.Sqrt2); math.Abs(slope-phi) > 1e-4 {
			t.Errorf("slope at %v: %v, want %v", u, slope, phi)
		}
	}
}

// Far from the edge a blurred power joins the power itself.
func TestBlurredPowerJoins(t *testing.T) {
	for k := range edgePowers {
		a, da := blurredPower(k, 7*0.3-1e-9, 0.3)
		b, db := blurredPower(k, 7*0.3+1e-9, 0.3)
		if math.Abs(a-b) > 2e-3*b || math.Abs(da-db) > 2e-3*db {
			t.Errorf("power %d: %v, %v against %v, %v", k, a, da, b, db)
		}
	}
}
