package detect

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A bright band whose edges wander by less than a step a level is followed to
// within a place, through noise and a trend of exposure.
func TestCortexPathFollowsABand(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const levels, places = 120, 70
	rows := make([][]float64, levels)
	expect := make([]float64, levels)
	outer, inner := make([]float64, levels), make([]float64, levels)
	for k := range rows {
		outer[k] = 25 + 4*math.Sin(float64(k)/25)
		inner[k] = outer[k] + 12 + 3*math.Sin(float64(k)/18)
		expect[k] = 26
		rows[k] = make([]float64, places)
		for j := range rows[k] {
			x := float64(j)
			band := 1/(1+math.Exp(-(x-outer[k])/0.8)) - 0.7/(1+math.Exp(-(x-inner[k])/0.8))
			rows[k][j] = 100*band + 2*x + 6*rng.NormFloat64()
		}
	}
	o, i, ok := cortexPath(rows, expect, 14, places-1)
	if !ok {
		t.Fatal("no path")
	}
	for k := range rows {
		if d := float64(o[k]) - outer[k]; math.Abs(d) > 2 {
			t.Errorf("level %d: outer edge off by %.1f places", k, d)
		}
		if d := float64(i[k]) - inner[k]; math.Abs(d) > 2 {
			t.Errorf("level %d: inner edge off by %.1f places", k, d)
		}
		if i[k] <= o[k] {
			t.Errorf("level %d: edges out of order", k)
		}
	}
}

func TestKeepShaftDropsWhatDoesNotGoOn(t *testing.T) {
	ls := make([]level, 60)
	for k := range ls {
		ls[k] = level{outer: 15 + 0.02*float64(k), contrast: 100, ok: true, innerOK: true}
	}
	for k := 0; k < 8; k++ { // another bone's edge above a step
		ls[k].outer = 24
	}
	for k := 30; k < 36; k++ { // a stamped letter
		ls[k].ok = false
	}
	for k := 55; k < 60; k++ { // beyond the field
		ls[k].contrast = 5
	}
	keepShaft(ls, 10, 0)
	for k, l := range ls {
		want := k >= 10 && k < 55 && (k < 30 || k >= 36)
		if l.ok != want {
			t.Errorf("level %d: kept %v, want %v", k, l.ok, want)
		}
	}
}
