package measure

import (
	"math"
	"testing"
)

// TestSummit takes bumps of closed form: the summit of a bell and of a beak is
// where it is drawn, that of a plateau is its middle; all are 2 high.
func TestSummit(t *testing.T) {
	const length, centre = 20.0, 60.3
	for name, height := range map[string]func(u float64) float64{
		"bell":    func(u float64) float64 { return math.Exp(-4 * math.Ln2 * u * u) },
		"beak":    func(u float64) float64 { return math.Max(0, 1-math.Abs(u)) },
		"plateau": func(u float64) float64 { return 1 / (1 + math.Pow(2*math.Abs(u), 8)) },
	} {
		var x, v []float64
		for level := 20.0; level <= 110; level++ {
			x, v = append(x, level), append(v, 2*height((level-centre)/length))
		}
		got, high, wide := summit(x, v, bump{at: 42}, length, math.NaN(), math.NaN(), 0.1) // 42: level 62
		if math.Abs(got-centre) > 0.6 {
			t.Errorf("summit of a %s at %.2f, want %.2f", name, got, centre)
		}
		if math.Abs(high-2) > 0.1 {
			t.Errorf("a %s is %.2f high, want 2", name, high)
		}
		if math.Abs(wide-length) > 0.1*length {
			t.Errorf("a %s is %.1f wide at half its height, want %g", name, wide, length)
		}
	}
}
